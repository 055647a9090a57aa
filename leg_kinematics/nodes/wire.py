# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Streamed messages as bytes, written and read without making the message.

rclpy turns a message into bytes attribute by attribute, which takes longer than all that the nodes
compute. But of a message whose names and counts stay the same only numbers change, and each stands
where it stood before: in CDR (OMG DDS-XTypes 1.3, section 7.4) the place of a value depends on
nothing but the sizes of those before it: each number is aligned to its size, a string ends with a
zero, a sequence begins with its length. What the gaps hold is left to chance, and so are some bytes
behind the end that rclpy may add. A publisher sends such bytes as they are, a subscription
hands them over with `raw=True`.

What comes in otherwise (other names, another order, another byte order) is read by rclpy and
checked by `messages`: it takes longer, and comes to the same.
"""

import re
import struct
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain
from math import isfinite
from typing import Any

from builtin_interfaces.msg import Time
from geometry_msgs.msg import Transform, Twist, Vector3
from rclpy.impl.implementation_singleton import rclpy_implementation
from rclpy.serialization import deserialize_message, serialize_message
from sensor_msgs.msg import JointState, MultiDOFJointState
from trajectory_msgs.msg import (
    JointTrajectory,
    MultiDOFJointTrajectory,
    MultiDOFJointTrajectoryPoint,
)

from leg_kinematics.errors import CommandError
from leg_kinematics.gait import BodyMotion, Covariance
from leg_kinematics.nodes import messages
from leg_kinematics.robot import Vector
from leg_kinematics.solver import Trajectory

#: A number in a message: what has it, and under which attribute or index.
Place = tuple[object, str | int]

Number = int | float

#: Trajectories of more points are left to rclpy. Streams have a few.
MOST_POINTS = 8

#: Plain CDR in the order of bytes of this machine (OMG DDS-XTypes 1.3, table 60).
ORDER = '<' if sys.byteorder == 'little' else '>'
HEADER = b'\0\1\0\0' if sys.byteorder == 'little' else b'\0\0\0\0'

FORMATS = {'double': 'd', 'int32': 'i', 'uint32': 'I'}

#: `sequence<KIND>` or `KIND[COUNT]`, as rclpy names the type of an attribute.
SEVERAL = re.compile(r'sequence<(.+)>|(.+)\[\d+\]')

STILL = (0.0, 0.0, 0.0)


class FixedMessage:
    """A message of which only numbers change.

    Parameters
    ----------
    message
        With everything that does not change.
    places
        The numbers that change, in the order in which they stand in the message.

    Raises
    ------
    ValueError
        A place is not in the message, or rclpy writes it in another way.

    """

    def __init__(self, message: object, places: Iterable[Place]) -> None:
        """Lay out the message by the rules of CDR, and compare with what rclpy makes of it."""
        wanted = [(id(owner), key) for owner, key in places]
        numbers = constants = ORDER
        constant: list[Any] = [HEADER]
        numbers += f'{len(HEADER)}x'
        constants += f'{len(HEADER)}s'
        end = found = 0
        for owner, key, form, value in _parts(message):
            size = struct.calcsize(ORDER + form)
            gap = 0 if form.endswith('s') else -end % size
            end += gap + size
            if found < len(wanted) and (id(owner), key) == wanted[found]:
                found += 1
                numbers += f'{gap}x{form}'
                constants += f'{gap + size}x'
            else:
                constant.append(value)
                numbers += f'{gap + size}x'
                constants += f'{gap}x{form}'
        self._numbers = struct.Struct(numbers)
        self._constants = struct.Struct(constants)
        self._constant = tuple(constant)
        # Where a number has bits, the rest has none.
        self._rest = int.from_bytes(self._constants.pack(*constant), 'little')
        if found < len(wanted) or self.read(serialize_message(message)) is None:
            raise ValueError(f'{found} of {len(wanted)} places are as expected in {message}')

    def write(self, numbers: Iterable[Number]) -> bytes:
        """Return the message with these numbers."""
        bits = int.from_bytes(self._numbers.pack(*numbers), 'little')
        return (bits | self._rest).to_bytes(self._numbers.size, 'little')

    def read(self, data: bytes) -> tuple[Any, ...] | None:
        """Return the numbers of a message; None unless it differs in nothing else."""
        if len(data) < self._numbers.size or self._constants.unpack_from(data) != self._constant:
            return None
        return self._numbers.unpack_from(data)


def _parts(
    value: Any,  # noqa: ANN401
    kind: str = '',
    owner: object = None,
    key: str | int = '',
) -> Iterator[tuple[object, str | int, str, Any]]:
    """Every number and string of a message in its order: what has it, where, format, value."""
    if kind in FORMATS:
        yield owner, key, FORMATS[kind], value
    elif kind == 'string':
        text = value.encode() + b'\0'
        yield None, '', 'I', len(text)
        yield None, '', f'{len(text)}s', text
    elif several := SEVERAL.fullmatch(kind):
        sequence, array = several.groups()
        if sequence:
            yield None, '', 'I', len(value)
        for index, each in enumerate(value):
            yield from _parts(each, sequence or array, value, index)
    else:
        for name, kind_of_it in value.get_fields_and_field_types().items():
            yield from _parts(getattr(value, name), kind_of_it, value, name)


def message_of(data: bytes, kind: type[Any]) -> Any:  # noqa: ANN401
    """Let rclpy read a message.

    Raises
    ------
    CommandError
        The bytes are no such message.

    """
    try:
        return deserialize_message(data, kind)
    except (rclpy_implementation.RMWError, ValueError) as error:
        raise CommandError(f'{len(data)} bytes are no {kind.__name__}: {error}') from error


def _instant(owner: object) -> Iterator[Place]:
    yield owner, 'sec'
    yield owner, 'nanosec'


def _elements(owner: Sequence[float]) -> Iterator[Place]:
    return ((owner, index) for index in range(len(owner)))


def _components(owner: object, names: str = 'xyz') -> Iterator[Place]:
    return ((owner, name) for name in names)


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


def _split(nanoseconds: int) -> tuple[int, int]:
    """Seconds and nanoseconds of an instant, as messages have it."""
    return divmod(nanoseconds, messages.NANOSECONDS)


def _duration(seconds: float) -> tuple[int, int]:
    return _split(round(seconds * messages.NANOSECONDS))


def _joined(seconds: int, nanoseconds: int) -> int:
    return seconds * messages.NANOSECONDS + nanoseconds


def _vectors(numbers: Sequence[float]) -> tuple[Vector, ...]:
    """Every three numbers as a vector."""
    each = iter(numbers)
    return tuple(zip(each, each, each, strict=True))


class JointTrajectories:
    """`joint_trajectory` of the joints of a robot.

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
        message = messages.joint_trajectory_message(
            Time(), self._joints, Trajectory(times, rows, rows)
        )
        places = [*_instant(message.header.stamp)]
        for point in message.points:
            places += [*_elements(point.positions), *_elements(point.velocities)]
            places += _instant(point.time_from_start)
        return FixedMessage(message, places)

    def write(self, stamp: int, trajectory: Trajectory) -> bytes:
        """Return the message of a trajectory, rad and rad/s, stamped in ns."""
        if len(trajectory.times) > MOST_POINTS:
            return serialize_message(
                messages.joint_trajectory_message(
                    messages.time_message(stamp), self._joints, trajectory
                )
            )
        numbers: list[Number] = [*_split(stamp)]
        for time, positions, velocities in zip(
            trajectory.times, trajectory.positions, trajectory.velocities, strict=True
        ):
            numbers += positions
            numbers += velocities
            numbers += _duration(time)
        return self._layouts[len(trajectory.times)].write(numbers)

    def read(self, data: bytes) -> tuple[int, Trajectory]:
        """Return stamp, ns, and trajectory.

        Raises
        ------
        CommandError
            The bytes are no such message, or it is refused.

        """
        numbers = self._layouts.read(data)
        if numbers is None:
            return self._read_slowly(data)
        count = len(self._joints)
        step = 2 * count + 2
        starts = range(2, len(numbers), step)
        return _joined(*numbers[:2]), Trajectory(
            tuple(
                _joined(*numbers[start + step - 2 : start + step]) / messages.NANOSECONDS
                for start in starts
            ),
            tuple(numbers[start : start + count] for start in starts),
            tuple(numbers[start + count : start + 2 * count] for start in starts),
        )

    def _read_slowly(self, data: bytes) -> tuple[int, Trajectory]:
        message = message_of(data, JointTrajectory)
        trajectory = messages.joint_trajectory(message, self._joints)
        if len(trajectory.times) <= MOST_POINTS:
            self._layouts[len(trajectory.times)]  # known from now on
        return messages.nanoseconds_of(message.header.stamp), trajectory


@dataclass(frozen=True)
class Feet:
    """The checked content of a `foot_targets` message.

    Attributes
    ----------
    stamp
        ns.
    legs
        Names of the legs that shall move.
    times
        s from the stamp, shape (n,).
    feet
        In `base_link`, m, shape (n, legs, 3).
    velocities
        m/s, shape (n, legs, 3); None where the message has none.

    """

    stamp: int
    legs: tuple[str, ...]
    times: Sequence[float]
    feet: Sequence[Sequence[Vector]]
    velocities: Sequence[Sequence[Vector] | None]


class FootTargets:
    """`foot_targets` of the legs of a robot.

    Parameters
    ----------
    legs
        Their names, in the order of all numbers.

    """

    def __init__(self, legs: Sequence[str]) -> None:
        """Know no count of points yet."""
        self._legs = tuple(legs)
        self._layouts = _ByCount(self._layout)

    def _message(
        self, stamp: int, points: Iterable[tuple[float, Sequence[Vector], Sequence[Vector]]]
    ) -> MultiDOFJointTrajectory:
        message = MultiDOFJointTrajectory(joint_names=list(self._legs))
        message.header.stamp = messages.time_message(stamp)
        message.header.frame_id = messages.BASE_FRAME
        message.points = [
            MultiDOFJointTrajectoryPoint(
                transforms=[Transform(translation=Vector3(x=x, y=y, z=z)) for x, y, z in feet],
                velocities=[Twist(linear=Vector3(x=x, y=y, z=z)) for x, y, z in velocities],
                time_from_start=messages.duration_message(time),
            )
            for time, feet, velocities in points
        ]
        return message

    def _layout(self, points: int) -> FixedMessage:
        still = (STILL,) * len(self._legs)
        message = self._message(0, [(0.0, still, still)] * points)
        places = [*_instant(message.header.stamp)]
        for point in message.points:
            for transform in point.transforms:
                places += _components(transform.translation)
            for twist in point.velocities:
                places += _components(twist.linear)
            places += _instant(point.time_from_start)
        return FixedMessage(message, places)

    def write(
        self,
        stamp: int,
        points: Sequence[tuple[float, Sequence[Vector], Sequence[Vector]]],
    ) -> bytes:
        """Return the message of points: time from the stamp, s, feet, m, and velocities, m/s."""
        if len(points) > MOST_POINTS:
            return serialize_message(self._message(stamp, points))
        numbers: list[Number] = [*_split(stamp)]
        for time, feet, velocities in points:
            numbers += chain.from_iterable(feet)
            numbers += chain.from_iterable(velocities)
            numbers += _duration(time)
        return self._layouts[len(points)].write(numbers)

    def read(self, data: bytes) -> Feet:
        """Return what a message says.

        Raises
        ------
        CommandError
            The bytes are no such message, or it is refused.

        """
        numbers = self._layouts.read(data)
        if numbers is None:
            return self._read_slowly(data)
        messages.check_finite('foot_targets', numbers)
        count = 3 * len(self._legs)
        step = 2 * count + 2
        starts = range(2, len(numbers), step)
        return Feet(
            _joined(*numbers[:2]),
            self._legs,
            [
                _joined(*numbers[start + step - 2 : start + step]) / messages.NANOSECONDS
                for start in starts
            ],
            [_vectors(numbers[start : start + count]) for start in starts],
            [_vectors(numbers[start + count : start + 2 * count]) for start in starts],
        )

    def _read_slowly(self, data: bytes) -> Feet:
        message = message_of(data, MultiDOFJointTrajectory)
        found = messages.FootTargets(message, self._legs)
        if len(found.times) <= MOST_POINTS:
            self._layouts[len(found.times)]  # known from now on
        stamp = messages.nanoseconds_of(message.header.stamp)
        return Feet(stamp, found.legs, found.times, found.feet, found.velocities)


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
        message = messages.joint_state_message(Time(), joints, [0.0] * len(joints))
        places = [*_instant(message.header.stamp), *_elements(message.position)]
        self._layout = FixedMessage(message, places)

    def write(self, stamp: int, positions: Sequence[float]) -> bytes:
        """Return the message of positions, rad, stamped in ns."""
        return self._layout.write((*_split(stamp), *positions))

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
        positions = numbers[2:]
        return _joined(*numbers[:2]), positions if all(map(isfinite, positions)) else None


class FootStates:
    """`foot_states` of the legs of a robot.

    Parameters
    ----------
    legs
        Their names, in the order of all numbers.

    """

    def __init__(self, legs: Sequence[str]) -> None:
        """Find the places of the numbers."""
        self._legs = tuple(legs)
        message = messages.foot_states_message(Time(), legs, [STILL] * len(legs))
        places = [*_instant(message.header.stamp)]
        for transform in message.transforms:
            places += _components(transform.translation)
        self._layout = FixedMessage(message, places)

    def write(self, stamp: int, feet: Sequence[Vector]) -> bytes:
        """Return the message of feet in `base_link`, m, stamped in ns."""
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


class OdometryMessages:
    """`odom`, which is only written."""

    def __init__(self) -> None:
        """Find the places of the numbers."""
        nothing = Covariance()
        motion = BodyMotion(STILL, STILL, STILL, STILL)
        message = messages.odometry_message(Time(), motion, nothing, nothing)
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

    def write(self, stamp: int, motion: BodyMotion, pose: Covariance, twist: Covariance) -> bytes:
        """Return the message of a motion and its covariances, stamped in ns."""
        return self._layout.write(
            (
                *_split(stamp),
                *motion.position,
                *messages.quaternion(motion.rpy),
                *messages.six_by_six(pose),
                *motion.linear,
                *motion.angular,
                *messages.six_by_six(twist),
            )
        )
