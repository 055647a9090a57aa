# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The body shifted, raised and tilted over its feet, apart from where it walks."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import starmap
from math import cos, isfinite, sin

from leg_kinematics.robot import Vector
from leg_kinematics.solver import PEAK_SPEED, State, minimum_jerk

#: No move of the body over its feet takes less, s: small changes of the order, or of the ground,
#: shall not jerk it.
SHORTEST_MOVE = 0.3


@dataclass(frozen=True, slots=True)
class Offset:
    """Pose of the body relative to where a level walk has it.

    Attributes
    ----------
    shift
        Along x, y, z of the level body, m.
    rpy
        Fixed-axis roll, pitch and yaw, rad (REP 103).

    """

    shift: Vector = (0.0, 0.0, 0.0)
    rpy: Vector = (0.0, 0.0, 0.0)

    @property
    def finite(self) -> bool:
        """Tell whether every component is a number."""
        return all(map(isfinite, (*self.shift, *self.rpy)))

    @property
    def rotation(self) -> tuple[Vector, Vector, Vector]:
        """Axes of the level body expressed in the offset body.

        They are the rows of a matrix: ``vectors @ rotation`` does to many what `turn_back` does to
        one.
        """
        return (
            self.turn_back((1.0, 0.0, 0.0)),
            self.turn_back((0.0, 1.0, 0.0)),
            self.turn_back((0.0, 0.0, 1.0)),
        )

    def towards(self, other: 'Offset', share: float) -> 'Offset':
        """Go a share of the way to another pose, every component alike."""
        x, y, z, roll, pitch, yaw = (
            a + share * (b - a)
            for a, b in zip((*self.shift, *self.rpy), (*other.shift, *other.rpy), strict=True)
        )
        return Offset((x, y, z), (roll, pitch, yaw))

    def see(self, point: Vector) -> Vector:
        """Express a point of the level body in the offset body, m."""
        return self.turn_back(_minus(point, self.shift))

    def place(self, point: Vector) -> Vector:
        """Express a point of the offset body in the level body, m."""
        x, y, z = (sum(a * b for a, b in zip(axis, point, strict=True)) for axis in self.rotation)
        return (x + self.shift[0], y + self.shift[1], z + self.shift[2])

    def turn_back(self, vector: Vector) -> Vector:
        """Express a free vector of the level body in the offset body."""
        roll, pitch, yaw = self.rpy
        x, y, z = vector
        x, y = cos(yaw) * x + sin(yaw) * y, cos(yaw) * y - sin(yaw) * x
        x, z = cos(pitch) * x - sin(pitch) * z, cos(pitch) * z + sin(pitch) * x
        return (x, cos(roll) * y + sin(roll) * z, cos(roll) * z - sin(roll) * y)

    def turn_rate(self, rpy_rate: Vector) -> Vector:
        """Angular velocity along the axes of the level body, rad/s, from the rates of `rpy`."""
        _, pitch, yaw = self.rpy
        roll_rate, pitch_rate, yaw_rate = rpy_rate
        return (
            cos(yaw) * cos(pitch) * roll_rate - sin(yaw) * pitch_rate,
            sin(yaw) * cos(pitch) * roll_rate + cos(yaw) * pitch_rate,
            yaw_rate - sin(pitch) * roll_rate,
        )


LEVEL = Offset()


class BodyOffset:
    """The offset of the body on its smooth way to a goal.

    Parameters
    ----------
    speed
        Peak speed of the shift, m/s.
    rate
        Peak rate of each angle, rad/s.

    Attributes
    ----------
    now
        Where it is.
    rate
        How fast shift and angles change, m/s and rad/s.

    """

    def __init__(self, speed: float, rate: float) -> None:
        """Begin level."""
        self._peaks = (speed, speed, speed, rate, rate, rate)
        self._states: tuple[State, ...] = (State(0.0),) * 6
        self._goal = LEVEL
        self._remaining = 0.0
        self.now = LEVEL
        self.rate = LEVEL

    @property
    def goal(self) -> Offset:
        """Where the offset is going."""
        return self._goal

    @property
    def moving(self) -> bool:
        """Tell whether it is on its way."""
        return self._remaining > 0.0

    @property
    def level(self) -> bool:
        """Tell whether the body is level and at rest."""
        return self._goal == LEVEL and self._remaining <= 0.0

    def aim(self, goal: Offset, least_time: float) -> None:
        """Go to another goal, from the position, velocity and acceleration of now.

        Parameters
        ----------
        goal
            Where to come to rest.
        least_time
            That the way takes, s, even where the peak speeds allow for less.

        """
        ways = zip(self._states, (*goal.shift, *goal.rpy), self._peaks, strict=True)
        times = (PEAK_SPEED * abs(end - state.position) / peak for state, end, peak in ways)
        self._remaining = max(SHORTEST_MOVE, least_time, *times)
        self._goal = goal

    def step(self, dt: float) -> None:
        """Advance by dt seconds."""
        if self._remaining > 0.0:
            ends = zip(self._states, (*self._goal.shift, *self._goal.rpy), strict=True)
            self._states = tuple(
                starmap(lambda state, end: minimum_jerk(state, end, self._remaining, dt), ends)
            )
            self._remaining -= dt
            self.now = _offset([state.position for state in self._states])
            self.rate = _offset([state.velocity for state in self._states])

    def see(self, point: Vector, velocity: Vector) -> tuple[Vector, Vector]:
        """Express a moving point of the level body in the offset body, m and m/s."""
        if self.level:
            return point, velocity
        now, rate = self.now, self.rate
        carried = _cross(now.turn_rate(rate.rpy), _minus(point, now.shift))
        relative = _minus(_minus(velocity, rate.shift), carried)
        return now.see(point), now.turn_back(relative)


def _offset(components: Sequence[float]) -> Offset:
    x, y, z, roll, pitch, yaw = components
    return Offset((x, y, z), (roll, pitch, yaw))


def _minus(a: Vector, b: Vector) -> Vector:
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


def _cross(a: Vector, b: Vector) -> Vector:
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])
