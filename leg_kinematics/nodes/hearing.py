# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What the topics of a chain tell whoever looks at it, live or recorded.

Most of what comes is never read: of a stream only the latest message is, when a frame is made.
"""

from collections import deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from math import isfinite, nan
from typing import TypeVar

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from geometry_msgs.msg import Twist, TwistStamped
from sensor_msgs.msg import JointState

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.solving import check_finite
from leg_kinematics.chain.values import FootTargets, Level
from leg_kinematics.errors import CommandError
from leg_kinematics.nodes.translation.cdr import message_of, stamp_in
from leg_kinematics.nodes.translation.messages import body_twist
from leg_kinematics.nodes.translation.streams import (
    FootTrajectories,
    JointStates,
    OdometryMessages,
    RobotReports,
)
from leg_kinematics.view.messages import (
    BoardStatus,
    Event,
    Frame,
    NodeStatus,
    Pose,
    Robot,
    Statuses,
    TopicStatus,
    Velocity,
)
from leg_kinematics.view.watching import LATELY, Known, Moving, Watching

#: Targets come ahead of the robot by their preview; so many are kept to find those it has come to.
KEPT_TARGETS = 64

#: Nodes in the order of the chain, then whatever else speaks.
ORDER = ('gait', 'kinematics', 'bridge', 'arbiter', 'teleop', 'player')

#: Events that a page is told when it comes.
KEPT_EVENTS = 100

#: A message whose velocity has no stamp is so long at most, bytes: header of CDR and six numbers.
LONGEST_TWIST = 56

T = TypeVar('T')


@dataclass(slots=True)
class _Topic:
    """What was heard of a topic."""

    data: bytes = b''
    at: float = -float('inf')
    latency: float | None = None
    count: int = 0
    lost: int = 0
    counted: int = 0
    last_of: dict[bytes, int] = field(default_factory=dict)


class Hearing:
    """Hears the topics of one chain.

    Parameters
    ----------
    calibrated
        Its robot.
    namespace
        Of the chain.

    Attributes
    ----------
    events
        All that has happened and was not fetched yet.

    """

    #: Names of the topics that are heard; those without a leading slash are of the chain.
    TOPICS = ('joint_states', 'bridge/state', 'foot_targets', 'odom', 'cmd_vel')

    def __init__(self, calibrated: CalibratedRobot, namespace: str) -> None:
        """Know nothing yet."""
        robot = calibrated.robot
        self._watching = Watching(robot, calibrated.legs, calibrated.maps.by_joint, namespace)
        self._joints, self._joint_names = JointStates(robot.joints), robot.joints
        self._targets = FootTrajectories(robot.leg_names)
        self._reports, self._odometry = RobotReports(), OdometryMessages()
        self._prefix = namespace.rstrip('/') + '/'
        self._topics = {topic: _Topic() for topic in self.TOPICS}
        self._kept: deque[tuple[int, bytes]] = deque(maxlen=KEPT_TARGETS)
        self._nodes: dict[str, NodeStatus] = {}
        self._faults: dict[str, str] = {}
        self._counted_at = -float('inf')
        self._there = False
        self._changed = False
        self.events: deque[Event] = deque(maxlen=KEPT_EVENTS)

    @property
    def robot(self) -> Robot:
        """What the robot is."""
        return self._watching.robot

    def hear(
        self,
        topic: str,
        data: bytes,
        at: float,
        *,
        latency: float | None = None,
        number: int = 0,
        sender: bytes = b'',
    ) -> None:
        """Take a message.

        Parameters
        ----------
        topic
            One of `TOPICS`, `/diagnostics` or `orders`.
        data
            As it was on the wire.
        at
            When it came, s.
        latency
            How long it took, s.
        number, sender
            The number that its sender gave it; 0 where it is not known.

        """
        if topic == '/diagnostics':
            self._read(topic, lambda: self._diagnose(message_of(data, DiagnosticArray), at), at)
            return
        if topic == 'orders':
            self._read(topic, lambda: self._order(message_of(data, DiagnosticArray), at), at)
            return
        known = self._topics[topic]
        last = known.last_of.get(sender)
        if number:
            if last is not None and number > last:
                known.lost += number - last - 1
            known.last_of[sender] = number
        known.data, known.at, known.latency = data, at, latency
        known.count += 1
        if topic == 'foot_targets':
            # What has no stamp is told once a frame is made of it.
            with suppress(CommandError):
                self._kept.append((stamp_in(data), data))

    # ---- what the page is told

    def frame(self, at: float) -> Frame:
        """Make the frame of an instant, s."""
        report = self._latest('bridge/state', at, self._reports.read)
        there = report is not None
        if there is not self._there:
            self._there = there
            words = 'heard' if there else f'nothing was heard for {LATELY:g} s: is it still there?'
            self._tell(at, 'bridge', Level.OK if there else Level.ERROR, words)
        stamp = None if report is None else report.stamp
        joints = self._latest('joint_states', at, self._read_joints)
        angles, loads = joints or (None, None)
        return self._watching.frame(
            at,
            Known(
                report,
                angles,
                loads,
                self._latest('foot_targets', at, lambda data: self._targets_at(stamp, data)),
                self._latest('odom', at, self._moving),
                self._latest('cmd_vel', at, _velocity),
            ),
        )

    def statuses(self, at: float, *, counting: bool) -> Statuses:
        """Tell how nodes, boards and topics are; `counting` begins to count rates anew."""
        nodes = sorted(self._nodes.values(), key=_place)
        topics = []
        span = at - self._counted_at
        for name, known in self._topics.items():
            rate = max(0, known.count - known.counted) / span if 0.0 < span < 60.0 else 0.0
            silent = None if known.at == -float('inf') else round(at - known.at, 2)
            topics.append(
                TopicStatus(
                    name,
                    round(rate, 1),
                    known.latency and round(known.latency, 6),
                    known.lost,
                    silent,
                )
            )
            if counting:
                known.counted = known.count
        if counting:
            self._counted_at = at
        bridge = self._nodes.get('bridge')
        boards = () if bridge is None else _boards(bridge.values)
        return Statuses(tuple(nodes), boards, tuple(topics))

    def fetch_events(self) -> tuple[Event, ...]:
        """Give what has happened since this was asked last."""
        events = tuple(self.events)
        self.events.clear()
        return events

    def fetch_change(self) -> bool:
        """Tell whether a node has another state than when this was asked last."""
        changed, self._changed = self._changed, False
        return changed

    # ---- reading

    def _latest(self, topic: str, at: float, read: Callable[[bytes], T]) -> T | None:
        """Read the latest message of a topic, unless it came long ago."""
        known = self._topics[topic]
        if at - known.at > LATELY:
            return None
        return self._read(topic, lambda: read(known.data), at)

    def _read(self, topic: str, read: Callable[[], T], at: float) -> T | None:
        """Read something; what cannot be read is told once."""
        try:
            result = read()
        except CommandError as error:
            if self._faults.get(topic) != str(error):
                self._faults[topic] = str(error)
                self._tell(at, topic, Level.WARN, f'cannot be read: {error}')
            return None
        self._faults.pop(topic, None)
        return result

    def _read_joints(
        self, data: bytes
    ) -> tuple[tuple[float, ...] | None, tuple[float, ...] | None]:
        angles = self._joints.read(data)[1]
        if self._joints.plain(data):
            return angles, None
        message = message_of(data, JointState)
        efforts = dict(zip(message.name, message.effort, strict=False))
        # Whoever measures no effort may say so by NaN.
        if not all(isfinite(efforts.get(name, nan)) for name in self._joint_names):
            return angles, None
        return angles, tuple(efforts[name] for name in self._joint_names)

    def _targets_at(self, stamp: int | None, latest: bytes) -> FootTargets | None:
        """Give the targets to which the joints have come; None where they are in no stream."""
        stamp_in(latest)
        if stamp is None:
            return None
        _, there = min(self._kept, key=lambda kept: abs(kept[0] - stamp))
        targets = self._targets.read(there)
        for rows in (targets.feet, targets.velocities or ()):
            check_finite(
                'foot_targets', (number for row in rows for each in row for number in each)
            )
        return targets

    def _moving(self, data: bytes) -> Moving:
        (x, y, z), orientation, linear, angular = self._odometry.read(data)
        a, b, c, d = (round(part, 5) for part in orientation)
        return Moving(Pose((round(x, 5), round(y, 5), round(z, 5)), (a, b, c, d)), linear, angular)

    def _diagnose(self, array: DiagnosticArray, at: float) -> None:
        for status in array.status:
            if not status.name.startswith(self._prefix):
                continue
            name = status.name.removeprefix(self._prefix)
            values = {value.key: value.value for value in status.values}
            level = _level(status)
            now = NodeStatus(
                name,
                level,
                values.get('state', status.message),
                status.message,
                values,
                round(at, 3),
            )
            before = self._nodes.get(name)
            self._nodes[name] = now
            if before is None or (before.level, before.state) != (level, now.state):
                self._changed = True
                self._tell(at, name, level, now.words)
            limit = values.get('limit', '')
            if limit and (before is None or before.values.get('limit') != limit):
                self._tell(at, name, Level.WARN, f'limited: {limit}')

    def _order(self, array: DiagnosticArray, at: float) -> None:
        for status in array.status:
            self._tell(at, status.name, _level(status), status.message)

    def _tell(self, at: float, who: str, level: Level, words: str) -> None:
        self.events.append(Event(round(at, 3), who, level, words))


def _velocity(data: bytes) -> Velocity:
    kind = Twist if len(data) <= LONGEST_TWIST else TwistStamped
    twist = body_twist(message_of(data, kind))
    return Velocity(round(twist.x, 5), round(twist.y, 5), round(twist.yaw, 5))


def _level(status: DiagnosticStatus) -> Level:
    """Give the level; one that is stale is an error to whoever looks."""
    return Level(min(status.level[0], Level.ERROR))


def _place(status: NodeStatus) -> tuple[int, str]:
    return (ORDER.index(status.name) if status.name in ORDER else len(ORDER), status.name)


def _boards(values: Mapping[str, str]) -> tuple[BoardStatus, ...]:
    """Take boards out of the values of the bridge, which have their names in front."""
    names = [key.removesuffix('.supply_v') for key in values if key.endswith('.supply_v')]
    boards = []
    for name in names:
        own = {
            key.removeprefix(f'{name}.'): value
            for key, value in values.items()
            if key.startswith(f'{name}.')
        }
        supply = own.get('supply_v', 'None')
        boards.append(
            BoardStatus(
                name,
                own.get('state', ''),
                None if supply == 'None' else float(supply),
                own.get('low_voltage') == 'True',
                {key: int(value) for key, value in own.items() if value.isdigit()},
            )
        )
    return tuple(boards)
