# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Paths of all feet from rest to rest, and where the feet are on them at an instant."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, degrees, hypot, sin
from typing import NamedTuple, Protocol

from leg_kinematics.gait import Offset
from leg_kinematics.robot import Vector
from leg_kinematics.solver import State, minimum_jerk

Feet = tuple[Vector, ...]

STILL = (0.0, 0.0, 0.0)

#: The speed on a path is looked at in so many places.
WAY_SAMPLES = 20


class FeetPath(Protocol):
    """The way of all feet in `base_link`; a share of 0 is its start, of 1 its end."""

    def feet(self, share: float) -> Feet:
        """Where they are, m."""

    def rates(self, share: float) -> Feet:
        """How they move, m per share."""

    def words(self, share: float) -> str:
        """Say how far a share of the way is, such as `as far as z -12.0 mm`."""


@dataclass(frozen=True, slots=True)
class StraightLines:
    """Each foot on its own line, m; the ends exactly."""

    start: Feet
    goal: Feet

    def feet(self, share: float) -> Feet:
        """Where they are, m."""
        rest = 1.0 - share
        return tuple(
            (rest * a + share * x, rest * b + share * y, rest * c + share * z)
            for (a, b, c), (x, y, z) in zip(self.start, self.goal, strict=True)
        )

    def rates(self, share: float) -> Feet:  # noqa: ARG002  the same everywhere
        """How they move, m per share."""
        return tuple(
            (x - a, y - b, z - c)
            for (a, b, c), (x, y, z) in zip(self.start, self.goal, strict=True)
        )

    def words(self, share: float) -> str:
        """Say how far a share of the way is."""
        return f'for {100.0 * share:.0f} % of the way'


@dataclass(frozen=True, slots=True)
class Circle:
    """Part of a circle, m: with no radius a foot that stays.

    Attributes
    ----------
    centre
        In `base_link`.
    start
        From the centre to where the foot begins.
    across
        As long, a quarter of a turn on.

    """

    centre: Vector
    start: Vector
    across: Vector


@dataclass(frozen=True, slots=True)
class Circles:
    """Each foot on its own circle, m, all by the same turn, rad."""

    circles: tuple[Circle, ...]
    turn: float

    def feet(self, share: float) -> Feet:
        """Where they are, m."""
        along, across = cos(share * self.turn), sin(share * self.turn)
        return tuple(
            (a + along * u + across * x, b + along * v + across * y, c + along * w + across * z)
            for (a, b, c), (u, v, w), (x, y, z) in map(_vectors, self.circles)
        )

    def rates(self, share: float) -> Feet:
        """How they move, m per share."""
        along = -self.turn * sin(share * self.turn)
        across = self.turn * cos(share * self.turn)
        return tuple(
            (along * u + across * x, along * v + across * y, along * w + across * z)
            for _, (u, v, w), (x, y, z) in map(_vectors, self.circles)
        )

    def words(self, share: float) -> str:
        """Say how far a share of the way is."""
        return f'as far as a turn of {degrees(share * self.turn):.0f} deg'


def _vectors(circle: Circle) -> tuple[Vector, Vector, Vector]:
    return circle.centre, circle.start, circle.across


@dataclass(frozen=True, slots=True)
class BodyMove:
    """The body moves from one offset to another over feet that stay, m in the level body."""

    standing: Feet
    start: Offset
    goal: Offset

    def feet(self, share: float) -> Feet:
        """Where they are, m."""
        offset = self.start.towards(self.goal, share)
        return tuple(offset.see(foot) for foot in self.standing)

    def rates(self, share: float) -> Feet:
        """How they move, m per share."""
        offset = self.start.towards(self.goal, share)
        ends = zip(self.start.components, self.goal.components, strict=True)
        rate = Offset.of([end - begin for begin, end in ends])
        return tuple(offset.see_moving(rate, foot, STILL)[1] for foot in self.standing)

    def words(self, share: float) -> str:
        """Say how far a share of the way is."""
        (x, y, z), rpy = (offset := self.start.towards(self.goal, share)).shift, offset.rpy
        roll, pitch, yaw = map(degrees, rpy)
        return (
            f'as far as x {x * 1e3:.1f}, y {y * 1e3:.1f}, z {z * 1e3:.1f} mm, roll {roll:.1f}, '
            f'pitch {pitch:.1f}, yaw {yaw:.1f} deg'
        )


def longest_way(path: FeetPath) -> float:
    """Way of the foot that is fastest, if all of it were as fast as its fastest piece, m."""
    shares = (number / WAY_SAMPLES for number in range(WAY_SAMPLES + 1))
    return max(hypot(*rate) for share in shares for rate in path.rates(share))


class FeetSample(NamedTuple):
    """The feet at an instant, in `base_link`, m and m/s."""

    feet: Feet
    velocities: Feet


def sample(path: FeetPath, duration: float, time: float) -> FeetSample:
    """Give the feet at a time of a path that takes a duration, s, by the minimum-jerk law."""
    if time >= duration:
        return at_rest(path.feet(1.0))
    progress = minimum_jerk(State(0.0), 1.0, duration, max(time, 0.0))
    velocities = tuple(
        (progress.velocity * x, progress.velocity * y, progress.velocity * z)
        for x, y, z in path.rates(progress.position)
    )
    return FeetSample(path.feet(progress.position), velocities)


def at_rest(feet: Sequence[Vector]) -> FeetSample:
    """Give feet that do not move."""
    return FeetSample(tuple(feet), len(feet) * (STILL,))
