# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Motion of the body in the plane, SE(2), exactly."""

from collections.abc import Callable
from dataclasses import dataclass
from math import cos, hypot, isfinite, remainder, sin, tau

Point = tuple[float, float]

#: Below this angle sin(a)/a and (1 - cos a)/a are taken from their series, whose next term is
#: smaller than the rounding of doubles, rad.
SMALL_ANGLE = 1e-4


@dataclass(frozen=True, slots=True)
class Pose:
    """Where the body is: x, y in m, yaw in rad, within [-pi, pi]."""

    x: float = 0.0
    y: float = 0.0
    yaw: float = 0.0

    def place(self, point: Point) -> Point:
        """Express a point of the body's frame in the frame of this pose, m."""
        c, s = cos(self.yaw), sin(self.yaw)
        return (self.x + c * point[0] - s * point[1], self.y + s * point[0] + c * point[1])

    def locate(self, point: Point) -> Point:
        """Express a point of the frame of this pose in the body's frame, m."""
        return self.turn_back((point[0] - self.x, point[1] - self.y))

    def turn_back(self, vector: Point) -> Point:
        """Express a free vector of the frame of this pose in the body's frame."""
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
        """Tell whether every component is a number."""
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


def seen_from(pose: Pose, twist: Twist) -> Callable[[Point, Point], tuple[Point, Point]]:
    """Give what expresses moving points of the world in a moving body's frame.

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
