# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a replay sends, among the topics of a chain, and what it hears there."""

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import import_module
from math import inf
from struct import pack
from typing import Any

from geometry_msgs.msg import Twist as TwistMessage
from geometry_msgs.msg import TwistStamped
from rclpy.node import Node
from rclpy.publisher import Publisher
from rclpy.serialization import serialize_message
from rosgraph_msgs.msg import Clock
from std_msgs.msg import Float64MultiArray
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory

from leg_kinematics.chain.values import NANOSECONDS, FootTargets, JointTargets, RobotReport
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.nodes.translation.cdr import HEADER, ORDER
from leg_kinematics.nodes.translation.streams import (
    FootTrajectories,
    JointTrajectories,
    RobotReports,
)

#: Topic of an arbiter for who drives by himself: whoever drives by hand comes first.
THROUGH_ARBITER = 'nav/cmd_vel'

#: Between two looks, who else sends has been heard this long ago at most, s.
HEARD_LATELY = 0.5

#: Of our own messages so many are remembered.
REMEMBERED = 500

#: Where the stamp of a message that begins with a header stands in its bytes.
STAMP = slice(4, 12)

KINDS: Mapping[str, type[Any]] = {
    'cmd_vel': TwistStamped,
    'foot_targets': MultiDOFJointTrajectory,
    'joint_trajectory': JointTrajectory,
}


@dataclass(frozen=True)
class ReplayedTopic:
    """A topic whose messages are sent as they are.

    Attributes
    ----------
    name
        Where they are sent.
    kind
        Message type, such as `std_msgs/msg/Bool`.
    lasting
        Whether the last one is kept for whoever comes later.

    """

    name: str
    kind: str
    lasting: bool


class ReplayTopics:
    """Sends what a replay gives, and tells it what is heard.

    Parameters
    ----------
    node
        In the namespace of the chain.
    driving
        Topic of what is driven, such as `cmd_vel`; empty where nothing is.
    others
        What is sent as it is, by the full names of its topics in the recording.
    restamped
        Whether stamps are of now, and not of the recording; otherwise what drives is sent as it is,
        too.
    hear
        Takes what the bridge reports.

    """

    def __init__(
        self,
        node: Node,
        driving: str,
        others: Mapping[str, ReplayedTopic],
        hear: Callable[[RobotReport], None],
        *,
        restamped: bool,
    ) -> None:
        """Be there, and send nothing yet."""
        self._node = node
        self._restamped = restamped
        self._hear = hear
        self._reports = RobotReports()
        self._own: deque[bytes] = deque(maxlen=REMEMBERED)
        self._other_heard_at = -inf
        self._clock: Publisher[Clock] | None = None
        self.topic = driving
        if driving == 'cmd_vel' and restamped and node.count_subscribers(THROUGH_ARBITER):
            self.topic = THROUGH_ARBITER
        self._driven: Publisher[Any] | None = None
        self._unstamped = False
        self._feet: FootTrajectories | None = None
        self._joints: JointTrajectories | None = None
        self._robot_joints: tuple[str, ...] = ()
        if driving:
            self._drive(KINDS[driving])
        self._others: dict[str, tuple[Publisher[Any], bool]] = {}
        for recorded, topic in others.items():
            package, _, name = topic.kind.partition('/msg/')
            kind = getattr(import_module(f'{package}.msg'), name)
            profile = qos.DESCRIPTION if topic.lasting else qos.PUBLISHED
            publisher = node.create_publisher(kind, topic.name, profile)
            fields = list(kind.get_fields_and_field_types().values())
            self._others[recorded] = (publisher, fields[:1] == ['std_msgs/Header'])

    def _drive(self, kind: type[Any]) -> None:
        node = self._node
        if kind is TwistStamped:
            taken = {each.topic_type for each in node.get_subscriptions_info_by_topic(self._full)}
            self._unstamped = taken == {'geometry_msgs/msg/Twist'}
            kind = TwistMessage if self._unstamped else TwistStamped
        if self._restamped:
            self._driven = node.create_publisher(kind, self.topic, qos.PUBLISHED)
        node.create_subscription(kind, self.topic, self._on_driven, qos.PUBLISHED, raw=True)
        node.create_subscription(
            Float64MultiArray, 'bridge/state', self._on_report, qos.STREAM, raw=True
        )

    @property
    def _full(self) -> str:
        return self._node.resolve_topic_name(self.topic)

    def know(self, legs: tuple[str, ...], joints: tuple[str, ...], frame: str) -> None:
        """Learn of which robot targets are."""
        self._feet = FootTrajectories(legs, frame)
        self._joints = JointTrajectories(joints)
        self._robot_joints = joints

    def keep_clock(self) -> None:
        """Send the time of the recording on `/clock` from now on."""
        self._clock = self._node.create_publisher(Clock, '/clock', qos.PUBLISHED)

    # ---- who else is there

    @property
    def heard(self) -> bool:
        """Whether somebody besides us takes what is driven."""
        return self._node.count_subscribers(self.topic) > 1

    def sent_by_others(self) -> list[str]:
        """Name topics besides what is driven that somebody else sends as well, with who does."""
        found = []
        for publisher, _ in self._others.values():
            if self.topic and publisher.topic_name == self._full:
                continue
            names = self._senders_of(publisher.topic_name)
            if names:
                found.append(f'{publisher.topic_name} (by {", ".join(names)})')
        return found

    def other_driver(self, now: int) -> str:
        """Say who else drives at an instant of the system clock, ns; empty where nobody does."""
        if now - self._other_heard_at > HEARD_LATELY * NANOSECONDS:
            return ''
        names = ', '.join(self._senders_of(self._full)) or 'somebody'
        return f'{names} sends {self.topic} as well'

    def _senders_of(self, topic: str) -> list[str]:
        offers = self._node.get_publishers_info_by_topic(topic)
        names = [(offer.node_name, offer.node_namespace) for offer in offers]
        for each in self._node.publishers:
            own = (self._node.get_name(), self._node.get_namespace())
            if each.topic_name == topic and own in names:
                names.remove(own)
        return [f'{space.rstrip("/")}/{name}' for name, space in names]

    def _on_driven(self, message: bytes) -> None:
        if bytes(message[STAMP]) not in self._own and not self._unstamped:
            self._other_heard_at = self._node.get_clock().now().nanoseconds

    def _on_report(self, message: bytes) -> None:
        try:
            self._hear(self._reports.read(message))
        except CommandError as error:
            self._node.get_logger().warning(str(error))

    # ---- what is sent

    def tell_time(self, nanoseconds: int) -> None:
        """Send the time of the recording, ns."""
        if self._clock is not None:
            self._clock.publish(Clock(clock=messages.time_message(nanoseconds)))

    def drive(self, value: Twist | FootTargets | JointTargets) -> None:
        """Send what drives the robot."""
        if self._driven is None:
            raise RuntimeError('nothing is driven')
        data = self._bytes_of(value)
        self._own.append(data[STAMP])
        self._driven.publish(data)

    def _bytes_of(self, value: Twist | FootTargets | JointTargets) -> bytes:
        if isinstance(value, Twist):
            stamped = messages.body_twist_message(value, self._node.get_clock().now().nanoseconds)
            return serialize_message(stamped.twist if self._unstamped else stamped)
        if self._feet is None or self._joints is None:
            raise RuntimeError('it is not known of which robot the targets are')
        if isinstance(value, FootTargets):
            return self._feet.write(value)
        everything = value.joints == self._robot_joints
        named = JointTargets(value.stamp, value.trajectory, None if everything else value.joints)
        return self._joints.write(named)

    def pass_on(self, topic: str, data: bytes) -> None:
        """Send a message of a topic of the recording as it is, or with a stamp of now."""
        publisher, has_header = self._others[topic]
        if has_header and self._restamped and data[:4] == HEADER:
            now = divmod(self._node.get_clock().now().nanoseconds, NANOSECONDS)
            data = data[: STAMP.start] + pack(f'{ORDER}iI', *now) + data[STAMP.stop :]
        if self.topic and publisher.topic_name == self._full:
            self._own.append(data[STAMP])
        publisher.publish(data)
