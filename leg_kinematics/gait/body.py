# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Where the body is: its exact motion in the plane, SE(2), and its offset from a level walk."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import cos, hypot, isfinite, remainder, sin, tau
from typing import NamedTuple

import numpy as np

from leg_kinematics.robot import Vector
from leg_kinematics.solver import ManyLegs

Point = tuple[float, float]

#: Below this angle sin(a)/a and (1 - cos a)/a are taken from their series, whose next term is
#: smaller than the rounding of doubles, rad.
SMALL_ANGLE = 1e-4


@dataclass(frozen=True, slots=True)
class Pose:
    """Where the body is in an outer frame: x, y in m, yaw in rad, within [-pi, pi]."""

    x: float = 0.0
    y: float = 0.0
    yaw: float = 0.0

    def place(self, point: Point) -> Point:
        """Express a point of the body's frame in the outer frame, m."""
        c, s = cos(self.yaw), sin(self.yaw)
        return (self.x + c * point[0] - s * point[1], self.y + s * point[0] + c * point[1])

    def locate(self, point: Point) -> Point:
        """Express a point of the outer frame in the body's frame, m."""
        return self.turn_back((point[0] - self.x, point[1] - self.y))

    def turn_back(self, vector: Point) -> Point:
        """Express a free vector of the outer frame in the body's frame."""
        c, s = cos(self.yaw), sin(self.yaw)
        return (c * vector[0] + s * vector[1], c * vector[1] - s * vector[0])

    def __mul__(self, other: 'Pose') -> 'Pose':
        """Append a pose given in the body's frame; a pose that does not move is exactly kept."""
        x, y = self.place((other.x, other.y))
        return Pose(x, y, remainder(self.yaw + other.yaw, tau))


@dataclass(frozen=True, slots=True)
class Twist:
    """Velocity of the body in its own frame: x, y in m/s, yaw in rad/s."""

    x: float = 0.0
    y: float = 0.0
    yaw: float = 0.0

    def __bool__(self) -> bool:
        """Tell whether anything moves."""
        return bool(self.x or self.y or self.yaw)

    @property
    def finite(self) -> bool:
        """Tell whether every component is finite."""
        return isfinite(self.x) and isfinite(self.y) and isfinite(self.yaw)

    @property
    def speed(self) -> float:
        """Of the body's origin, m/s."""
        return hypot(self.x, self.y)

    def scaled(self, factor: float) -> 'Twist':
        """Change the size and keep the direction."""
        return Twist(self.x * factor, self.y * factor, self.yaw * factor)

    def towards(self, other: 'Twist', fraction: float) -> 'Twist':
        """Go a fraction of the way to another twist; at 1 it is that twist exactly."""
        if fraction >= 1.0:
            return other
        return Twist(
            self.x + fraction * (other.x - self.x),
            self.y + fraction * (other.y - self.y),
            self.yaw + fraction * (other.yaw - self.yaw),
        )

    def at(self, point: Point) -> Point:
        """Velocity of a point that moves with the body, in the body's frame, m/s."""
        return (self.x - self.yaw * point[1], self.y + self.yaw * point[0])

    def over(self, time: float) -> Pose:
        """Displacement after a time, s: the exponential of SE(2), seen from the start."""
        angle = self.yaw * time
        if abs(angle) < SMALL_ANGLE:
            sine = 1.0 - angle * angle / 6.0
            cosine = 0.5 * angle * (1.0 - angle * angle / 12.0)
        else:
            sine = sin(angle) / angle
            cosine = (1.0 - cos(angle)) / angle
        x, y = self.x * time, self.y * time
        return Pose(sine * x - cosine * y, cosine * x + sine * y, remainder(angle, tau))


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
        """Tell whether every component is finite."""
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
        """Give the state after a time (s) at this twist; a negative time leads back."""
        return BodyState(self.pose * self.twist.over(time), self.twist, self.height, self.offset)


def seen_from(pose: Pose, twist: Twist) -> Callable[[Point, Point], tuple[Point, Point]]:
    """Return a function that expresses moving points of the world in a moving body's frame.

    Parameters
    ----------
    pose, twist
        Of the body.

    Returns
    -------
    callable
        From a point and its velocity in the world to both in the body, m and m/s.

    """
    c, s = cos(pose.yaw), sin(pose.yaw)

    def see(point: Point, velocity: Point) -> tuple[Point, Point]:
        x, y = point[0] - pose.x, point[1] - pose.y
        x, y = c * x + s * y, c * y - s * x
        u, v = velocity
        return (x, y), (
            c * u + s * v - (twist.x - twist.yaw * y),
            c * v - s * u - (twist.y + twist.yaw * x),
        )

    return see


def carried(legs: ManyLegs, offsets: Sequence[Offset]) -> ManyLegs:
    """Express the legs of the offset body in the level body, for each of some offsets."""
    turns = np.array([offset.rotation for offset in offsets])
    return legs.moved(turns, np.array([offset.shift for offset in offsets]))


def _minus(a: Vector, b: Vector) -> Vector:
    return (a[0] - b[0], a[1] - b[1], a[2] - b[2])


def _cross(a: Vector, b: Vector) -> Vector:
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])
