# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What the body may do next.

Limits scale the whole twist and keep its direction. Feet that stand, or are about to land, let the
body go only where they stay in reach. Slower is always allowed, so that this can never trap the
robot.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import asin, dist, hypot, inf
from typing import NamedTuple

from leg_kinematics.gait.planar import Point, Twist
from leg_kinematics.gait.workspace import fastest_towards

#: In which the part of a change that is allowed is sought: to 1/4096 of what a tick may change.
HALVINGS = 12


@dataclass(frozen=True, slots=True)
class Limited:
    """A twist and what held it back.

    Attributes
    ----------
    twist
        What may be done.
    reason
        Empty when nothing bound; else the limit with its value.

    """

    twist: Twist
    reason: str = ''


def limit_speed(twist: Twist, max_speed: float, max_yaw_rate: float) -> Limited:
    """Keep the speed of the origin (m/s) and the yaw rate (rad/s) within their bounds."""
    linear = max_speed / twist.speed if twist.speed > max_speed else 1.0
    angular = max_yaw_rate / abs(twist.yaw) if abs(twist.yaw) > max_yaw_rate else 1.0
    if linear >= 1.0 and angular >= 1.0:
        return Limited(twist)
    reason = (
        f'max_speed {max_speed:g} m/s (asked {twist.speed:.3g})'
        if linear <= angular
        else f'max_yaw_rate {max_yaw_rate:g} rad/s (asked {abs(twist.yaw):.3g})'
    )
    return Limited(twist.scaled(min(linear, angular)), reason)


def limit_stride(
    twist: Twist,
    neutral: Sequence[Point],
    radii: Sequence[float],
    names: Sequence[str],
    stance_time: float,
) -> Limited:
    """Keep every foot within its disc in a steady walk.

    A foot that passes its neutral point at mid stance goes half a stance each way on an arc, whose
    chord must not exceed the radius.

    Parameters
    ----------
    twist
        What is asked.
    neutral
        Neutral points in the body's frame, m.
    radii
        Of the discs, m.
    names
        Of the legs, for the reason.
    stance_time
        s.

    """
    factor, reason = 1.0, ''
    half = 0.5 * stance_time
    for point, radius, name in zip(neutral, radii, names, strict=True):
        allowed = _longest_chord(twist, hypot(*twist.at(point)), radius, half)
        if allowed < factor:
            factor = allowed
            reason = f'stride radius {radius * 1e3:.3g} mm of {name}'
    return Limited(twist.scaled(factor), reason)


def limit_servo_speed(
    twist: Twist,
    neutral: Sequence[Point],
    fastest: Sequence[Sequence[float]],
    names: Sequence[str],
) -> Limited:
    """Keep the ground under every foot as slow as its servos need it for their swings.

    Parameters
    ----------
    twist
        What is asked.
    neutral
        Neutral points in the body's frame, m.
    fastest
        Of each leg, the speeds of `fastest_stances`, m/s.
    names
        Of the legs, for the reason.

    """
    factor, reason = 1.0, ''
    for point, stances, name in zip(neutral, fastest, names, strict=True):
        velocity = twist.at(point)
        speed = hypot(*velocity)
        allowed = fastest_towards(stances, velocity)
        if allowed < factor * speed:
            factor = allowed / speed
            reason = f'servo speed: {allowed:.3g} m/s at the foot of {name} (asked {speed:.3g})'
    return Limited(twist.scaled(factor), reason)


def demand(
    twist: Twist,
    neutral: Sequence[Point],
    radii: Sequence[float],
    fastest: Sequence[Sequence[float]],
    stance_time: float,
) -> float:
    """Share of what reach and servos allow that a twist asks for, about; 1 is all of it."""
    share = 0.0
    for point, radius, stances in zip(neutral, radii, fastest, strict=True):
        velocity = twist.at(point)
        speed = hypot(*velocity)
        if speed > 0.0:
            allowed = min(2.0 * radius / stance_time, fastest_towards(stances, velocity))
            share = max(share, speed / allowed if allowed > 0.0 else inf)
    return share


def _longest_chord(twist: Twist, speed: float, radius: float, time: float) -> float:
    """Largest factor of the twist whose chord after a time stays within the radius."""
    if speed * time <= radius:
        return inf
    if abs(twist.yaw) * time < 1e-6:
        return radius / (speed * time)
    half_turn = 0.5 * abs(twist.yaw)
    sine = radius * half_turn / speed
    return inf if sine >= 1.0 else asin(sine) / (half_turn * time)


def ramp(
    current: Twist, target: Twist, acceleration: float, yaw_acceleration: float, dt: float
) -> float:
    """Fraction of the way to the target that the acceleration limits allow in one tick.

    Parameters
    ----------
    current, target
        Twists.
    acceleration, yaw_acceleration
        m/s^2 and rad/s^2.
    dt
        s.

    """
    linear = hypot(target.x - current.x, target.y - current.y)
    angular = abs(target.yaw - current.yaw)
    return min(
        1.0,
        acceleration * dt / linear if linear > 0.0 else 1.0,
        yaw_acceleration * dt / angular if angular > 0.0 else 1.0,
    )


class Stance(NamedTuple):
    """A foot whose footprint is settled, seen from the body.

    Attributes
    ----------
    neutral, place
        Its neutral point and its footprint, m.
    time
        Until it is lifted, s.
    room
        How far from its neutral point it may be then, m.

    """

    neutral: Point
    place: Point
    time: float
    room: float

    def allows(self, twist: Twist) -> bool:
        """Tell whether the foot is in reach when it is lifted, if the body goes on like this."""
        return dist(twist.over(self.time).locate(self.place), self.neutral) <= self.room


def allowed(twist: Twist, stances: Sequence[Stance]) -> bool:
    """Tell whether all feet allow a twist."""
    return all(stance.allows(twist) for stance in stances)


def as_far_as_allowed(
    current: Twist, target: Twist, fraction: float, stances: Sequence[Stance]
) -> Twist:
    """Go from a twist that is allowed by a fraction of the way to another, or by less of it."""
    low, high = 0.0, fraction
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if allowed(current.towards(target, middle), stances):
            low = middle
        else:
            high = middle
    return current.towards(target, low)
