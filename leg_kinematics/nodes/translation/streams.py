# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The streams between the nodes, as the bytes that a publisher sends and a raw subscription gets.

Each class knows one topic of one robot. What comes in another layout (other names, another order)
is read by rclpy and checked by `messages`: it takes longer, and comes to the same.
"""

from collections.abc import Callable, Iterator, Sequence
from itertools import chain
from math import isfinite
from typing import Any

from nav_msgs.msg import Odometry
from rclpy.serialization import serialize_message
from sensor_msgs.msg import JointState, MultiDOFJointState
from std_msgs.msg import Float64MultiArray
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory

from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.solving import check_finite
from leg_kinematics.chain.values import NANOSECONDS, FootTargets, JointTargets, Odom, RobotReport
from leg_kinematics.gait import BodyMotion, Covariance
from leg_kinematics.nodes.translation import messages
from leg_kinematics.nodes.translation.cdr import FixedMessage, Number, Place, message_of
from leg_kinematics.nodes.translation.frames import FRAMES, Frames
from leg_kinematics.robot import Vector
from leg_kinematics.solver import Trajectory

#: Trajectories of more points are left to rclpy. Streams have a few.
MOST_POINTS = 8

STILL = (0.0, 0.0, 0.0)


class _ByCount(dict[int, FixedMessage]):
    """Layouts of one stream by its count of points, each made when it is first needed."""

    def __init__(self, make: Callable[[int], FixedMessage]) -> None:
        super().__init__()
        self._make = make

    def __missing__(self, count: int) -> FixedMessage:
        self[count] = self._make(count)
        return self[count]

    def read(self, data: bytes) -> tuple[Any, ...] | None:
        """Numbers of a message with a count of points that is known."""
        for each in self.values():
            numbers = each.read(data)
            if numbers is not None:
                return numbers
        return None

    def learn(self, count: int) -> None:
        """Know a count of points from now on."""
        if 0 < count <= MOST_POINTS:
            self[count]


class JointTrajectories:
    """`joint_trajectory` of the joints of a robot.

    What names only some of them is left to rclpy.

    Parameters
    ----------
    joints
        Their names, in the order of all numbers.

    """

    def __init__(self, joints: Sequence[str]) -> None:
        """Know no count of points yet."""
        self._joints = tuple(joints)
        self._layouts = _ByCount(self._layout)

    def _layout(self, points: int) -> FixedMessage:
        times = tuple(map(float, range(points)))
        rows = ((0.0,) * len(self._joints),) * points
        targets = JointTargets(0, Trajectory(times, rows, rows))
        message = messages.joint_trajectory_message(self._joints, targets)
        places = [*_instant(message.header.stamp)]
        for point in message.points:
            places += [*_elements(point.positions), *_elements(point.velocities)]
            places += _instant(point.time_from_start)
        return FixedMessage(message, places)

    def write(self, targets: JointTargets) -> bytes:
        """Return the message of joint targets."""
        trajectory = targets.trajectory
        if targets.joints is not None or len(trajectory.times) > MOST_POINTS:
            joints = targets.joints or self._joints
            return serialize_message(messages.joint_trajectory_message(joints, targets))
        numbers: list[Number] = [*_split(targets.stamp)]
        for time, positions, velocities in zip(
            trajectory.times, trajectory.positions, trajectory.velocities, strict=True
        ):
            numbers += positions
            numbers += velocities
            numbers += _duration(time)
        return self._layouts[len(trajectory.times)].write(numbers)

    def read(self, data: bytes) -> JointTargets:
        """Return what a message says.

        Raises
        ------
        CommandError
            The bytes are no such message, or it is refused.

        """
        numbers = self._layouts.read(data)
        if numbers is None:
            targets = messages.joint_targets(message_of(data, JointTrajectory), self._joints)
            if targets.joints is None:
                self._layouts.learn(len(targets.trajectory.times))
            return targets
        return JointTargets(
            _joined(*numbers[:2]), Trajectory(*_points(numbers[2:], len(self._joints)))
        )


class FootTrajectories:
    """`foot_targets` of the legs of a robot.

    Parameters
    ----------
    legs
        Their names, in the order of all numbers.
    frame
        Of the body.

    """

    def __init__(self, legs: Sequence[str], frame: str = FRAMES.base_frame) -> None:
        """Know no count of points yet."""
        self._legs = tuple(legs)
        self._frame = frame
        self._layouts = _ByCount(self._layout)

    def _layout(self, points: int) -> FixedMessage:
        still = ((STILL,) * len(self._legs),) * points
        message = messages.foot_targets_message(
            FootTargets(0, self._legs, (0.0,) * points, still, still), self._frame
        )
        places = [*_instant(message.header.stamp)]
        for point in message.points:
            for transform in point.transforms:
                places += _components(transform.translation)
            for twist in point.velocities:
                places += _components(twist.linear)
            places += _instant(point.time_from_start)
        return FixedMessage(message, places)

    def write(self, targets: FootTargets) -> bytes:
        """Return the message of foot targets."""
        if (
            targets.velocities is None
            or targets.legs != self._legs
            or not 0 < len(targets.times) <= MOST_POINTS
        ):
            return serialize_message(messages.foot_targets_message(targets, self._frame))
        numbers: list[Number] = [*_split(targets.stamp)]
        for time, feet, velocities in zip(
            targets.times, targets.feet, targets.velocities, strict=True
        ):
            numbers += chain.from_iterable(feet)
            numbers += chain.from_iterable(velocities)
            numbers += _duration(time)
        return self._layouts[len(targets.times)].write(numbers)

    def read(self, data: bytes) -> FootTargets:
        """Return what a message says.

        Raises
        ------
        CommandError
            The bytes are no such message, or it is refused.

        """
        numbers = self._layouts.read(data)
        if numbers is None:
            targets = messages.foot_targets(message_of(data, MultiDOFJointTrajectory), self._frame)
            self._layouts.learn(len(targets.times))
            return targets
        times, feet, velocities = _points(numbers[2:], 3 * len(self._legs))
        return FootTargets(
            _joined(*numbers[:2]),
            self._legs,
            times,
            [_vectors(row) for row in feet],
            [_vectors(row) for row in velocities],
        )


class JointStates:
    """`joint_states` of the joints of a robot.

    Parameters
    ----------
    joints
        Their names, in the order of all numbers.

    """

    def __init__(self, joints: Sequence[str]) -> None:
        """Find the places of the numbers."""
        self._joints = tuple(joints)
        still = [0.0] * len(joints)
        message = messages.joint_state_message(0, joints, still, still)
        places = [
            *_instant(message.header.stamp),
            *_elements(message.position),
            *_elements(message.velocity),
        ]
        self._layout = FixedMessage(message, places)

    def write(self, stamp: int, positions: Sequence[float], velocities: Sequence[float]) -> bytes:
        """Return the message of positions, rad, and velocities, rad/s, stamped in ns."""
        return self._layout.write((*_split(stamp), *positions, *velocities))

    def plain(self, data: bytes) -> bool:
        """Tell whether a message has positions and velocities of all joints, and no efforts."""
        return self._layout.read(data) is not None

    def read(self, data: bytes) -> tuple[int, tuple[float, ...] | None]:
        """Return stamp, ns, and positions; None unless every joint has a finite one.

        Raises
        ------
        CommandError
            The bytes are no such message.

        """
        numbers = self._layout.read(data)
        if numbers is None:
            message = message_of(data, JointState)
            stamp = messages.nanoseconds_of(message.header.stamp)
            return stamp, messages.joint_positions(message, self._joints)
        positions = numbers[2 : 2 + len(self._joints)]
        return _joined(*numbers[:2]), positions if all(map(isfinite, positions)) else None


class FootStates:
    """`foot_states` of the legs of a robot.

    Parameters
    ----------
    legs
        Their names, in the order of all numbers.
    frame
        Of the body.

    """

    def __init__(self, legs: Sequence[str], frame: str = FRAMES.base_frame) -> None:
        """Find the places of the numbers."""
        self._legs = tuple(legs)
        message = messages.foot_states_message(0, legs, [STILL] * len(legs), frame)
        places = [*_instant(message.header.stamp)]
        for transform in message.transforms:
            places += _components(transform.translation)
        self._layout = FixedMessage(message, places)

    def write(self, stamp: int, feet: Sequence[Vector]) -> bytes:
        """Return the message of feet in the frame of the body, m, stamped in ns."""
        return self._layout.write((*_split(stamp), *chain.from_iterable(feet)))

    def read(self, data: bytes) -> tuple[int, tuple[Vector, ...] | None]:
        """Return stamp, ns, and feet; None unless every leg has a finite one.

        Raises
        ------
        CommandError
            The bytes are no such message.

        """
        numbers = self._layout.read(data)
        if numbers is None:
            message = message_of(data, MultiDOFJointState)
            stamp = messages.nanoseconds_of(message.header.stamp)
            return stamp, messages.feet_of(message, self._legs)
        feet = _vectors(numbers[2:])
        return _joined(*numbers[:2]), feet if all(map(isfinite, numbers)) else None


class RobotReports:
    """`bridge/state`."""

    def __init__(self) -> None:
        """Find the places of the numbers."""
        message = messages.report_message(RobotReport(PowerState.UNPOWERED, 0, 0, None, 0.0))
        self._layout = FixedMessage(message, _elements(message.data))

    def write(self, report: RobotReport) -> bytes:
        """Return the message of a report."""
        return self._layout.write(messages.report_numbers(report))

    def read(self, data: bytes) -> RobotReport:
        """Return what a message says.

        Raises
        ------
        CommandError
            The bytes are no such message, or it is refused.

        """
        numbers = self._layout.read(data)
        if numbers is None:
            numbers = tuple(message_of(data, Float64MultiArray).data)
        return messages.robot_report(numbers)


class OdometryMessages:
    """`odom`."""

    def __init__(self, frames: Frames = FRAMES) -> None:
        """Find the places of the numbers."""
        nothing = Covariance()
        motion = BodyMotion(STILL, STILL, STILL, STILL)
        message = messages.odometry_message(Odom(0, motion, nothing, nothing), frames)
        pose, twist = message.pose, message.twist
        self._layout = FixedMessage(
            message,
            [
                *_instant(message.header.stamp),
                *_components(pose.pose.position),
                *_components(pose.pose.orientation, 'xyzw'),
                *_elements(pose.covariance),
                *_components(twist.twist.linear),
                *_components(twist.twist.angular),
                *_elements(twist.covariance),
            ],
        )

    def write(self, odom: Odom) -> bytes:
        """Return the message of odometry."""
        motion = odom.motion
        return self._layout.write(
            (
                *_split(odom.stamp),
                *motion.position,
                *messages.quaternion(motion.rpy),
                *messages.six_by_six(odom.trust),
                *motion.linear,
                *motion.angular,
                *messages.six_by_six(odom.rate_trust),
            )
        )

    def read(self, data: bytes) -> tuple[Vector, tuple[float, float, float, float], Vector, Vector]:
        """Return position, m, quaternion x, y, z, w, linear velocity, m/s, and angular, rad/s.

        Raises
        ------
        CommandError
            The bytes are no such message, or a number is not finite.

        """
        numbers = self._layout.read(data)
        if numbers is None:
            message = message_of(data, Odometry)
            pose, twist = message.pose.pose, message.twist.twist
            parts = ((pose.position, 'xyz'), (pose.orientation, 'xyzw'), (twist.linear, 'xyz'))
            told = [
                getattr(part, axis)
                for part, axes in (*parts, (twist.angular, 'xyz'))
                for axis in axes
            ]
        else:
            told = [*numbers[2:9], *numbers[45:51]]
        check_finite('odom', told)
        px, py, pz, qx, qy, qz, qw, vx, vy, vz, wx, wy, wz = told
        return (px, py, pz), (qx, qy, qz, qw), (vx, vy, vz), (wx, wy, wz)


def _instant(owner: object) -> Iterator[Place]:
    yield owner, 'sec'
    yield owner, 'nanosec'


def _elements(owner: Sequence[float]) -> Iterator[Place]:
    return ((owner, index) for index in range(len(owner)))


def _components(owner: object, names: str = 'xyz') -> Iterator[Place]:
    return ((owner, name) for name in names)


def _split(nanoseconds: int) -> tuple[int, int]:
    """Seconds and nanoseconds of an instant, as messages have it."""
    return divmod(nanoseconds, NANOSECONDS)


def _duration(seconds: float) -> tuple[int, int]:
    return _split(round(seconds * NANOSECONDS))


def _joined(seconds: int, nanoseconds: int) -> int:
    return seconds * NANOSECONDS + nanoseconds


def _seconds(seconds: int, nanoseconds: int) -> float:
    return _joined(seconds, nanoseconds) / NANOSECONDS


def _points(
    numbers: tuple[Any, ...], count: int
) -> tuple[tuple[float, ...], tuple[tuple[float, ...], ...], tuple[tuple[float, ...], ...]]:
    """Take numbers apart: times, s, places and velocities of points, so many of each in a point."""
    step = 2 * count + 2
    points = [numbers[start : start + step] for start in range(0, len(numbers), step)]
    return (
        tuple(_seconds(*point[-2:]) for point in points),
        tuple(point[:count] for point in points),
        tuple(point[count:-2] for point in points),
    )


def _vectors(numbers: Sequence[float]) -> tuple[Vector, ...]:
    """Every three numbers as a vector."""
    each = iter(numbers)
    return tuple(zip(each, each, each, strict=True))
