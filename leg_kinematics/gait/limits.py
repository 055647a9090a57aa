# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What the body may do next: limits scale the whole twist and keep its direction."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import asin, hypot, inf

from leg_kinematics.gait.planar import Point, Twist
from leg_kinematics.gait.servo_speed import fastest_towards
from leg_kinematics.solver import State, minimum_jerk

#: Points of a swing at which its overshoot is sought; more change it by less than 1e-4.
SWING_SAMPLES = 200


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


@cache
def swing_overshoot(duty_factor: float) -> float:
    """How far a foot goes beyond its stride, as a factor of half the stride.

    A foot lifts at rest in the world, so that the body carries it further back before it has
    gained speed, and it lands the same way. By half a stride a, with u the share of the swing and
    h the minimum-jerk law, it stands at a (2 (h(u) - (1 - beta) u) / beta - 1).

    Parameters
    ----------
    duty_factor
        Share of the cycle in which a leg stands, beta.

    """
    shares = (step / SWING_SAMPLES for step in range(SWING_SAMPLES + 1))
    farthest = max(
        (1.0 - duty_factor) * share - minimum_jerk(State(0.0), 1.0, 1.0, share).position
        for share in shares
    )
    return 1.0 + 2.0 * farthest / duty_factor


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
