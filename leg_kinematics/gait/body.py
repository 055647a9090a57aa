# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The body of a walk: where it is, how it stands over its feet, how it moves there smoothly."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import cos, isfinite, sin
from typing import NamedTuple

import numpy as np

from leg_kinematics.gait.planar import Pose, Twist
from leg_kinematics.robot import Vector
from leg_kinematics.solver import PEAK_SPEED, ManyLegs, State, minimum_jerk

#: No move of the body over its feet takes less, s: small changes of the order, or of the ground,
#: shall not jerk it.
SHORTEST_MOVE = 0.3

#: Instants at which a way is looked at before it is taken.
WAY_SAMPLES = 40

#: What the body may pass its goal by, m.
WAY_TOLERANCE = 1e-4


@dataclass(frozen=True)
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
        return all(map(isfinite, self.components))

    @classmethod
    def of(cls, components: Sequence[float]) -> 'Offset':
        """Take x, y, z, roll, pitch and yaw."""
        x, y, z, roll, pitch, yaw = components
        return cls((x, y, z), (roll, pitch, yaw))

    @property
    def components(self) -> tuple[float, ...]:
        """Give x, y, z, roll, pitch and yaw."""
        return (*self.shift, *self.rpy)

    @cached_property
    def rotation(self) -> tuple[Vector, Vector, Vector]:
        """Axes of the level body expressed in the offset body.

        They are the rows of a matrix: ``vectors @ rotation`` does to many what `turn_back` does to
        one.
        """
        roll, pitch, yaw = self.rpy
        sr, cr, sp, cp, sy, cy = sin(roll), cos(roll), sin(pitch), cos(pitch), sin(yaw), cos(yaw)
        return (
            (cp * cy, sr * sp * cy - cr * sy, cr * sp * cy + sr * sy),
            (cp * sy, sr * sp * sy + cr * cy, cr * sp * sy - sr * cy),
            (-sp, sr * cp, cr * cp),
        )

    def towards(self, other: 'Offset', share: float) -> 'Offset':
        """Go a share of the way to another pose, every component alike."""
        ends = zip(self.components, other.components, strict=True)
        return Offset.of([a + share * (b - a) for a, b in ends])

    def see(self, point: Vector) -> Vector:
        """Express a point of the level body in the offset body, m."""
        return self.turn_back(_minus(point, self.shift))

    def place(self, point: Vector) -> Vector:
        """Express a point of the offset body in the level body, m."""
        x, y, z = (sum(a * b for a, b in zip(axis, point, strict=True)) for axis in self.rotation)
        return (x + self.shift[0], y + self.shift[1], z + self.shift[2])

    def turn_back(self, vector: Vector) -> Vector:
        """Express a free vector of the level body in the offset body."""
        x, y, z = vector
        (a, b, c), (d, e, f), (g, h, i) = self.rotation
        return (a * x + d * y + g * z, b * x + e * y + h * z, c * x + f * y + i * z)

    def see_moving(self, rate: 'Offset', point: Vector, velocity: Vector) -> tuple[Vector, Vector]:
        """Express a moving point of the level body in the offset body, which moves too, m and m/s.

        Parameters
        ----------
        rate
            How fast shift and angles change, m/s and rad/s.
        point, velocity
            In the level body.

        """
        carried_along = _cross(self.turn_rate(rate.rpy), _minus(point, self.shift))
        relative = _minus(_minus(velocity, rate.shift), carried_along)
        return self.see(point), self.turn_back(relative)

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


class BodyState(NamedTuple):
    """The body at one instant.

    Attributes
    ----------
    pose, twist
        Of the level body in the world.
    height
        Of the level body above z = 0, m.
    offset
        From the level body.

    """

    pose: Pose
    twist: Twist
    height: float
    offset: Offset

    def after(self, time: float) -> 'BodyState':
        """Let it go on like this for a time, s; a negative one leads back."""
        return BodyState(self.pose * self.twist.over(time), self.twist, self.height, self.offset)


class SmoothMove:
    """Coordinates of the body that go together from how they move now to rest at a goal.

    Parameters
    ----------
    start
        At rest, m or rad.

    Attributes
    ----------
    states
        Of the coordinates, m or rad, and their rates.
    goal
        Where they are going.
    moving
        Whether they are on their way.

    """

    def __init__(self, *start: float) -> None:
        """Be at rest."""
        self.states = tuple(map(State, start))
        self.goal: tuple[float, ...] = start
        self._remaining = 0.0

    @property
    def moving(self) -> bool:
        """Tell whether they are on their way."""
        return self._remaining > 0.0

    def aim(self, goal: tuple[float, ...], duration: float) -> None:
        """Go to another goal in so many seconds."""
        self.goal, self._remaining = goal, duration

    def duration(self, goal: tuple[float, ...], peaks: Sequence[float]) -> float:
        """Time of a way to a goal, s, with a peak speed of each coordinate from rest."""
        ways = zip(self.states, goal, peaks, strict=True)
        times = (PEAK_SPEED * abs(end - state.position) / peak for state, end, peak in ways)
        return max(SHORTEST_MOVE, *times)

    def may_turn(self, goal: tuple[float, ...], duration: float) -> bool:
        """Tell whether a way to another goal leads beyond neither end: that goal and this one."""
        times = [duration * look / WAY_SAMPLES for look in range(1, WAY_SAMPLES)]
        for state, old, new in zip(self.states, self.goal, goal, strict=True):
            ends = (new, old, state.position)
            low, high = min(ends) - WAY_TOLERANCE, max(ends) + WAY_TOLERANCE
            way = (minimum_jerk(state, new, duration, time).position for time in times)
            if not all(low <= position <= high for position in way):
                return False
        return True

    def step(self, dt: float) -> None:
        """Advance by dt seconds."""
        if self._remaining > 0.0:
            self.states = tuple(
                minimum_jerk(state, end, self._remaining, dt)
                for state, end in zip(self.states, self.goal, strict=True)
            )
            self._remaining -= dt


def carried(legs: ManyLegs, offsets: Sequence[Offset]) -> ManyLegs:
    """Give legs of the offset body as the level body has them, offset by offset."""
    turns = np.array([offset.rotation for offset in offsets])
    return legs.moved(turns, np.array([offset.shift for offset in offsets]))


def _minus(a: Vector, b: Vector) -> Vector:
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


def _cross(a: Vector, b: Vector) -> Vector:
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])
