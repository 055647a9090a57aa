# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A node that hears what passes through a chain, as it passes, and knows what it has missed."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from importlib import import_module
from time import monotonic
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import rclpy
import yaml
from rcl_interfaces.srv import GetParameters
from rclpy.client import Client
from rclpy.duration import Duration
from rclpy.parameter import parameter_value_to_python
from rclpy.qos import DurabilityPolicy, HistoryPolicy, QoSProfile, ReliabilityPolicy
from rclpy.subscription import Subscription
from rclpy.task import Future
from rclpy.topic_endpoint_info import TopicEndpointInfo

from leg_kinematics.nodes.running.catalogue import NODES
from leg_kinematics.nodes.running.executor import LeanExecutor
from leg_kinematics.nodes.running.transport import join_graph

if TYPE_CHECKING:
    # Jazzy has it under another name.
    from rclpy.subscription import MessageInfo

#: Topics of a chain, and those by which it is driven, in its namespace.
TOPICS = frozenset(
    {
        'body_offset',
        'bridge/limits',
        'bridge/state',
        'bridge/transition_event',
        'cmd_vel',
        'emergency_stop',
        'foot_states',
        'foot_targets',
        'gait/duty_factor',
        'joint_states',
        'joint_trajectory',
        'joy',
        'odom',
        'orders',
        'robot_description',
    }
)

#: What feet feel is told below this.
CONTACTS = 'contacts/'

#: So many messages of a topic may wait while the disk takes what came before: 10 s at 100 Hz.
DEPTH = 1000

#: Between two looks for topics and nodes that are new, s.
LOOK_EVERY = 0.2

#: Takes topic, receipt and sending, ns, number and data of a message.
Hear = Callable[[str, int, int, int, bytes], None]


@dataclass
class Heard:
    """What was heard of a topic.

    Attributes
    ----------
    kind
        Message type.
    offered
        Qualities of service of its senders, as a list in YAML.
    count
        Messages that came.
    lost
        Messages that did not, by the numbers that their senders gave them.
    lasting
        Whether it is kept for whoever comes later.

    """

    kind: str
    offered: str = ''
    count: int = 0
    lost: int = 0
    lasting: bool = False
    last_of: dict[bytes, int] = field(default_factory=dict)


class Recorder:
    """Hears the topics of a chain, and whatever else is named, without reading the messages.

    Parameters
    ----------
    namespace
        Of the chain.
    named
        More topics.
    hear
        Takes every message.

    Attributes
    ----------
    topics
        What was heard so far, by full name.
    not_heard
        Topics that cannot be heard, and why.
    parameters
        Of the nodes of the chain, as far as they have told.

    """

    def __init__(self, namespace: str, named: Sequence[str], hear: Hear) -> None:
        """Join the graph."""
        self._context, self._node = join_graph('recorder', namespace)
        self._executor = LeanExecutor(context=self._context)
        self._executor.add_node(self._node)
        self._hear = hear
        self._prefix = self._node.get_namespace().rstrip('/') + '/'
        self._named = {self._node.resolve_topic_name(each) for each in named}
        self.topics: dict[str, Heard] = {}
        self.not_heard: dict[str, str] = {}
        self.parameters: dict[str, dict[str, Any]] = {}
        self._subscriptions: dict[str, tuple[QoSProfile, Subscription[Any]]] = {}
        self._asking: dict[str, Client[Any, Any]] = {
            name: self._node.create_client(GetParameters, f'{name}/get_parameters')
            for name in NODES
        }
        self._answers: dict[str, Future[Any]] = {}
        self._next_look = 0.0

    def __enter__(self) -> Self:
        """Be there."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave the graph."""
        self._executor.shutdown()
        self._node.destroy_node()
        rclpy.try_shutdown(context=self._context)

    def full_name(self, topic: str) -> str:
        """Give the full name of a topic of the chain."""
        return self._prefix + topic

    def spin_once(self, seconds: float) -> None:
        """Hear one message, or wait for so long, s; now and then look for what is new."""
        if (now := monotonic()) >= self._next_look:
            self._next_look = now + LOOK_EVERY
            self._look()
        self._executor.spin_once(timeout_sec=seconds)

    # ---- what there is

    def _wanted(self, topic: str) -> bool:
        if topic in self._named or topic == '/diagnostics':
            return True
        name = topic.removeprefix(self._prefix)
        return name != topic and (name in TOPICS or name.startswith(CONTACTS))

    def _look(self) -> None:
        for topic, kinds in self._node.get_topic_names_and_types():
            if self._wanted(topic) and topic not in self.not_heard:
                self._listen(topic, kinds)
        for name, client in self._asking.items():
            if name not in self._answers and client.service_is_ready():
                names = [parameter.name for parameter in NODES[name]]
                self._answers[name] = client.call_async(GetParameters.Request(names=names))
        for name, answer in self._answers.items():
            if name not in self.parameters and answer.done() and (said := answer.result()):
                values = map(parameter_value_to_python, said.values)
                self.parameters[name] = dict(
                    zip((parameter.name for parameter in NODES[name]), values, strict=False)
                )

    def _listen(self, topic: str, kinds: Sequence[str]) -> None:
        """Hear a topic as its senders offer it, and anew when that has changed."""
        offers = self._node.get_publishers_info_by_topic(topic)
        quality = _quality_for(offers)
        before = self._subscriptions.get(topic)
        if before is not None and before[0] == quality:
            return
        kind = offers[0].topic_type if offers else kinds[0]
        if before is not None:
            # What is in the recording already is of this type.
            kind = self.topics[topic].kind
        package, _, name = kind.partition('/msg/')
        try:
            message_type = getattr(import_module(f'{package}.msg'), name)
        except (ImportError, AttributeError):
            self.not_heard[topic] = f'the message type {kind} is not installed here'
            return
        if before is not None:
            self._node.destroy_subscription(before[1])
        heard = self.topics.setdefault(topic, Heard(kind))
        heard.lasting = quality.durability is DurabilityPolicy.TRANSIENT_LOCAL

        def on_message(data: bytes, info: 'MessageInfo') -> None:
            self._on_message(topic, heard, data, info)

        subscription = self._node.create_subscription(
            message_type, topic, on_message, quality, raw=True
        )
        self._subscriptions[topic] = (quality, subscription)

    def _on_message(self, topic: str, heard: Heard, data: bytes, info: 'MessageInfo') -> None:
        number = info.get('publication_sequence_number') or 0
        sender = bytes((info.get('publisher_gid') or {}).get('data', b''))
        last = heard.last_of.get(sender)
        if last is not None and number > last:
            heard.lost += number - last - 1
        heard.last_of[sender] = number
        heard.count += 1
        if not heard.offered:
            heard.offered = _offered(self._node.get_publishers_info_by_topic(topic))
        received, sent = info['received_timestamp'], info['source_timestamp']
        self._hear(topic, received, sent, number, bytes(data))


def _quality_for(offers: Sequence[TopicEndpointInfo]) -> QoSProfile:
    """Give the best quality of service that all senders offer; none need be there yet."""
    reliable = all(o.qos_profile.reliability is ReliabilityPolicy.RELIABLE for o in offers)
    kept = DurabilityPolicy.TRANSIENT_LOCAL
    lasting = bool(offers) and all(o.qos_profile.durability is kept for o in offers)
    return QoSProfile(
        history=HistoryPolicy.KEEP_LAST,
        depth=DEPTH,
        reliability=ReliabilityPolicy.RELIABLE if reliable else ReliabilityPolicy.BEST_EFFORT,
        durability=kept if lasting else DurabilityPolicy.VOLATILE,
    )


def _offered(offers: Sequence[TopicEndpointInfo]) -> str:
    """Write what senders offer as ROS 2 does in recordings (rosbag2, version 9)."""
    profiles = [
        {
            'history': profile.history.name.lower(),
            'depth': profile.depth,
            'reliability': profile.reliability.name.lower(),
            'durability': profile.durability.name.lower(),
            'deadline': _time(profile.deadline),
            'lifespan': _time(profile.lifespan),
            'liveliness': profile.liveliness.name.lower(),
            'liveliness_lease_duration': _time(profile.liveliness_lease_duration),
            'avoid_ros_namespace_conventions': profile.avoid_ros_namespace_conventions,
        }
        for profile in (offer.qos_profile for offer in offers)
    ]
    return yaml.safe_dump(profiles, sort_keys=False)


def _time(duration: Duration) -> dict[str, int]:
    seconds, nanoseconds = divmod(duration.nanoseconds, 1_000_000_000)
    return {'sec': seconds, 'nsec': nanoseconds}
