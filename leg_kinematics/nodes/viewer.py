# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A running chain, for pages that look at it and, where that is offered, drive it.

Whoever looks costs the walk nothing but the sending: this is a process of its own. And it costs
itself little: topics are not waited for, but emptied 30 times a second, since a frame needs no
more, and being woken for each message takes longer than all that is done with it.
"""

from collections import deque
from collections.abc import Sequence
from pathlib import Path
from time import monotonic
from typing import Any

import rclpy
from diagnostic_msgs.msg import DiagnosticArray
from geometry_msgs.msg import Twist as TwistMessage
from geometry_msgs.msg import TwistStamped
from nav_msgs.msg import Odometry
from rcl_interfaces.srv import GetParameters
from rclpy.client import Client
from rclpy.context import Context
from rclpy.node import Node
from rclpy.parameter import parameter_value_to_python
from rclpy.publisher import Publisher
from rclpy.qos import HistoryPolicy, QoSProfile, ReliabilityPolicy
from rclpy.signals import SignalHandlerOptions
from rclpy.subscription import Subscription
from rclpy.task import Future
from sensor_msgs.msg import JointState
from std_msgs.msg import Float64MultiArray, String
from trajectory_msgs.msg import MultiDOFJointTrajectory

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.values import Answer, Level
from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.driver import ORDERS, DriverTopics
from leg_kinematics.nodes.hearing import KEPT_EVENTS, Hearing
from leg_kinematics.nodes.running.executor import LeanExecutor
from leg_kinematics.nodes.running.transport import prefer_sockets
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.view.control import Driving
from leg_kinematics.view.messages import (
    FRAMES_A_SECOND,
    Answered,
    Arm,
    Control,
    Disarm,
    Event,
    Events,
    Frame,
    FromPage,
    Hold,
    LetGo,
    Order,
    ToPage,
)
from leg_kinematics.view.reading import written
from leg_kinematics.view.server import Page

#: Deep enough for what comes between two looks; a message that is lost counts as lost.
HEARD = QoSProfile(
    history=HistoryPolicy.KEEP_LAST, depth=100, reliability=ReliabilityPolicy.BEST_EFFORT
)

#: Where velocities go through an arbiter, and where they go without one.
THROUGH_ARBITER, DIRECTLY = 'view/cmd_vel', 'cmd_vel'

KINDS: dict[str, tuple[type[Any], QoSProfile]] = {
    'joint_states': (JointState, HEARD),
    'bridge/state': (Float64MultiArray, HEARD),
    'foot_targets': (MultiDOFJointTrajectory, HEARD),
    'odom': (Odometry, HEARD),
    'cmd_vel': (TwistStamped, HEARD),
    '/diagnostics': (DiagnosticArray, qos.PUBLISHED),
    'orders': (DiagnosticArray, qos.PUBLISHED),
}

#: Kinds of velocity that a gait may take, as its parameter `cmd_vel_type` has it.
VELOCITIES: dict[str, type[Any]] = {
    'geometry_msgs/msg/TwistStamped': TwistStamped,
    'geometry_msgs/msg/Twist': TwistMessage,
}

#: Of `kinematics`: where its robot was read from.
FILES = ('robot', 'servo_maps')

_WORDS = {name: act for act, name in ORDERS.items()}


class LiveHouse:
    """Answers pages for one chain.

    Parameters
    ----------
    namespace
        Of the chain.
    control
        Whether pages may drive.
    files
        Of the robot, instead of those that the chain names.

    """

    def __init__(
        self, namespace: str, *, control: bool, files: tuple[Path, Path] | None = None
    ) -> None:
        """Join the graph."""
        prefer_sockets()
        self._context = Context()
        rclpy.init(context=self._context, signal_handler_options=SignalHandlerOptions.NO)
        self._node = self._make_node('viewer', namespace)
        # Its subscriptions are emptied here; no executor shall wait for them.
        self._ears = self._make_node('viewer_ears', namespace)
        self._executor = LeanExecutor(context=self._context)
        self._executor.add_node(self._node)
        self._namespace = self._node.get_namespace()
        self._files = files
        self._subscriptions = {
            name: self._ears.create_subscription(kind, name, print, quality, raw=True)
            for name, (kind, quality) in KINDS.items()
        }
        self._description: Subscription[Any] = self._ears.create_subscription(
            String, 'robot_description', print, qos.DESCRIPTION, raw=True
        )
        self._parameters: Client[Any, Any] = self._node.create_client(
            GetParameters, 'kinematics/get_parameters'
        )
        self._asked: Future[Any] | None = None
        self._wants_robot = False
        self._hearing: Hearing | None = None
        self._began = monotonic()
        self._driving = Driving(offered=control)
        self._topics = (
            DriverTopics(self._node, THROUGH_ARBITER, self._answered) if control else None
        )
        # Only while somebody drives: the gait warns of two that could send.
        self._direct: Publisher[Any] | None = None
        self._velocity: type[Any] = TwistStamped
        self._pages: dict[int, Page] = {}
        self._told: dict[int, Control] = {}
        self._events: deque[Event] = deque(maxlen=KEPT_EVENTS)
        self._steps = 0

    def _make_node(self, name: str, namespace: str) -> Node:
        return rclpy.create_node(
            name,
            namespace=namespace,
            context=self._context,
            start_parameter_services=False,
            enable_rosout=False,
        )

    def close(self) -> None:
        """Stop whoever drives, and leave the graph."""
        for page in list(self._pages):
            self._driving.leave(page)
        if self._driving.step(self._now()).twist is not None:
            self._drive(Twist())
        self._executor.shutdown()
        for node in (self._node, self._ears):
            node.destroy_node()
        rclpy.try_shutdown(context=self._context)

    def _now(self) -> float:
        """Give the instant by which frames are stamped and drivers judged, s."""
        return monotonic() - self._began

    # ---- pages

    def come(self, page: Page) -> None:
        """Greet a page."""
        self._pages[page.number] = page
        self._driving.come(page.number)
        if self._hearing is not None:
            page.say(self._hearing.robot)
            page.say(self._hearing.statuses(self._now(), counting=False))
        page.say(Events(tuple(self._events)))
        self._tell_control()

    def leave(self, page: Page) -> None:
        """Stop the robot where a page drove, and forget the page."""
        del self._pages[page.number]
        self._told.pop(page.number, None)
        self._driving.leave(page.number)
        self._move()

    def take(self, page: Page, message: FromPage) -> None:
        """Take a message of a page."""
        match message:
            case Arm():
                self._driving.arm(page.number)
                self._open_way()
            case Disarm():
                self._driving.disarm(page.number)
            case Hold():
                self._driving.hold(page.number, message, self._now())
            case LetGo():
                self._driving.let_go(page.number, message.press)
            case Order():
                self._order(page, message)
            case _:
                raise CommandError('there is no recording here')
        self._move()

    def _order(self, page: Page, order: Order) -> None:
        done = self._driving.order(page.number, order.order, self._now())
        if isinstance(done, Answer):
            page.say(Answered(round(self._now(), 3), order.order, done.success, done.words))
            return
        self._move()
        if self._topics is not None:
            self._topics.order([done], 0.0)

    def _answered(self, service: str, answer: Answer) -> None:
        order = _WORDS[service].value
        told = Answered(round(self._now(), 3), order, answer.success, answer.words)  # type: ignore[arg-type]
        self._say(told)

    def _move(self) -> None:
        """Send what is wanted now, and tell pages what has changed for them."""
        wanted = self._driving.step(self._now())
        if wanted.twist is not None:
            self._drive(wanted.twist)
        if wanted.offset is not None and self._topics is not None:
            self._topics.lean(wanted.offset)
        self._tell_control()
        if wanted.twist is None and not self._driving.armed:
            self._close_way()

    def _close_way(self) -> None:
        if self._direct is not None:
            self._node.destroy_publisher(self._direct)
            self._direct = None

    def _take_what_the_gait_takes(self) -> None:
        """Hear and send velocities of the kind that the gait takes.

        A topic has one kind in a process, and whoever sends looks at the kinds that are heard.
        """
        for heard in self._node.get_subscriptions_info_by_topic(
            self._node.resolve_topic_name(DIRECTLY)
        ):
            kind = VELOCITIES.get(heard.topic_type)
            if heard.node_name != 'gait' or kind is None or kind is self._velocity:
                continue
            if self._direct is not None:
                # The executor lets go of it in its next turn, and then it is gone.
                self._close_way()
                return
            self._ears.destroy_subscription(self._subscriptions[DIRECTLY])
            self._velocity = kind
            self._subscriptions[DIRECTLY] = self._ears.create_subscription(
                kind, DIRECTLY, print, HEARD, raw=True
            )
            self._open_way()

    def _open_way(self) -> None:
        """Have velocities go to the gait itself where there is no arbiter."""
        arbitrated = self._node.count_subscribers(THROUGH_ARBITER) > 0
        if self._driving.armed and not arbitrated and self._direct is None:
            self._direct = self._node.create_publisher(self._velocity, DIRECTLY, qos.PUBLISHED)

    def _drive(self, twist: Twist) -> None:
        if self._topics is not None and self._node.count_subscribers(THROUGH_ARBITER):
            self._topics.drive(twist)
        elif self._direct is not None:
            now = self._node.get_clock().now().nanoseconds
            stamped = messages.body_twist_message(twist, now)
            self._direct.publish(stamped if self._velocity is TwistStamped else stamped.twist)

    def _tell_control(self) -> None:
        for number, page in self._pages.items():
            told = self._driving.told(number)
            if self._told.get(number) != told:
                self._told[number] = told
                page.say(told)

    def _say(self, message: ToPage) -> None:
        text = written(message)
        for page in self._pages.values():
            page.say_text(text)

    # ---- the chain

    def step(self) -> None:
        """Empty the topics, and show every page the latest frame."""
        now = self._now()
        self._steps += 1
        second = self._steps % FRAMES_A_SECOND == 0
        self._executor.spin_once(timeout_sec=0)
        self._know_robot()
        if second:
            self._take_what_the_gait_takes()
        if self._topics is not None:
            self._move()
        hearing = self._hearing
        if hearing is None:
            if self._pages:
                self._show(Frame(round(now, 4)))
            return
        for name, subscription in self._subscriptions.items():
            self._empty(hearing, name, subscription, now)
        if second or hearing.fetch_change():
            self._say_if_heard(hearing.statuses(now, counting=second))
        frame = hearing.frame(now) if self._pages else None
        if events := hearing.fetch_events():
            self._events.extend(events)
            self._say_if_heard(Events(events))
        if frame is not None:
            self._show(frame)

    def _say_if_heard(self, message: ToPage) -> None:
        if self._pages:
            self._say(message)

    def _show(self, frame: Frame) -> None:
        text = written(frame)
        for page in self._pages.values():
            page.show(text)

    def _empty(
        self, hearing: Hearing, name: str, subscription: 'Subscription[Any]', now: float
    ) -> None:
        """Take all that has come on a topic since the last look."""
        handle = subscription.handle
        with handle:
            while (taken := handle.take_message(subscription.msg_type, True)) is not None:  # noqa: FBT003
                data, info = taken
                hearing.hear(
                    name,
                    bytes(data),
                    now,
                    latency=(info['received_timestamp'] - info['source_timestamp']) / 1e9,
                    number=info.get('publication_sequence_number') or 0,
                    sender=bytes((info.get('publisher_gid') or {}).get('data', b'')),
                )

    def _know_robot(self) -> None:
        """Ask for the files of the robot whenever a description comes, and read them."""
        handle = self._description.handle
        with handle:
            while handle.take_message(String, True) is not None:  # noqa: FBT003
                self._wants_robot = True
        if self._wants_robot and self._asked is None and self._parameters.service_is_ready():
            self._wants_robot = False
            request = GetParameters.Request(names=list(FILES))
            self._asked = self._parameters.call_async(request)
        if self._asked is not None and self._asked.done():
            said, self._asked = self._asked.result(), None
            if said is not None:
                self._meet([parameter_value_to_python(each) for each in said.values])

    def _meet(self, values: Sequence[object]) -> None:
        """Read the robot of the chain; where that is not possible, say so."""
        paths = self._files or tuple(Path(str(each)) for each in values)
        try:
            missing = [str(path) for path in paths if not path.is_file()]
            if missing:
                raise CommandError(
                    f'the chain uses {" and ".join(missing)}, which cannot be read here: give '
                    'copies by --robot and --servo-maps'
                )
            hearing = Hearing(CalibratedRobot.load(*paths), self._namespace)
        except LegKinematicsError as error:
            event = Event(round(self._now(), 3), 'view', Level.ERROR, str(error))
            self._events.append(event)
            self._say(Events((event,)))
            return
        if self._hearing is None or hearing.robot != self._hearing.robot:
            self._hearing = hearing
            self._say(hearing.robot)
