# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Limits scale the whole twist, say why, and give nothing away."""

from math import atan2, hypot

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.gait import GaitParameters, Twist
from leg_kinematics.gait.pace import limit_speed, limit_stride, ramp
from leg_kinematics.robot import Robot

speeds = st.floats(-5.0, 5.0)
twists = st.builds(Twist, speeds, speeds, speeds)
NEUTRAL = ((0.2, 0.14), (0.0, 0.21), (-0.2, -0.14))
RADII = (0.05, 0.05, 0.04)
NAMES = ('left_front', 'left_middle', 'right_rear')


def assert_same_direction(limited: Twist, asked: Twist) -> None:
    """One factor, from 0 to 1, on all three components."""
    parts = (asked.x, asked.y, asked.yaw)
    results = (limited.x, limited.y, limited.yaw)
    largest = max(range(3), key=lambda axis: abs(parts[axis]))
    factor = results[largest] / parts[largest] if parts[largest] else 1.0
    assert 0.0 <= factor <= 1.0
    assert results == pytest.approx([factor * part for part in parts], rel=1e-12, abs=1e-300)


@given(twist=twists)
def test_speed_limit_keeps_direction_and_bounds(twist: Twist) -> None:
    """Speed and yaw rate end within their bounds, one of them at its bound if any bound."""
    limited = limit_speed(twist, 0.12, 0.6)
    assert_same_direction(limited.twist, twist)
    share = max(limited.twist.speed / 0.12, abs(limited.twist.yaw) / 0.6)
    assert share <= 1.0 + 1e-12
    assert bool(limited.reason) == (limited.twist != twist)
    if limited.reason:
        assert share == pytest.approx(1.0)


def test_speed_limit_names_the_bound_that_binds() -> None:
    """The reason has the parameter, its value and what was asked."""
    assert limit_speed(Twist(0.24, 0.0, 0.6), 0.12, 0.6).reason == (
        'max_speed 0.12 m/s (asked 0.24)'
    )
    assert limit_speed(Twist(0.12, 0.0, -1.8), 0.12, 0.6).reason == (
        'max_yaw_rate 0.6 rad/s (asked 1.8)'
    )
    assert not limit_speed(Twist(0.12, 0.0, -0.6), 0.12, 0.6).reason


@given(twist=twists, stance=st.floats(0.2, 2.0))
def test_stride_limit_is_tight(twist: Twist, stance: float) -> None:
    """No foot leaves its disc at the ends of its stance, and the binding one touches the rim.

    The foot's way is computed here by where the body's motion leaves a fixed point behind.
    """
    limited = limit_stride(twist, NEUTRAL, RADII, NAMES, stance)
    assert_same_direction(limited.twist, twist)
    reach = []
    for half in (-0.5 * stance, 0.5 * stance):
        body = limited.twist.over(half)
        for (x, y), radius in zip(NEUTRAL, RADII, strict=True):
            left = body.locate((x, y))
            reach.append(hypot(left[0] - x, left[1] - y) / radius)
    # More than half a turn in half a stance: the chord was longer on the way than at its end.
    assert max(reach) <= 1.0 + 1e-9
    assert bool(limited.reason) == (limited.twist != twist)
    if limited.reason:
        assert max(reach) == pytest.approx(1.0, abs=1e-6)


def test_stride_limit_names_leg_and_radius() -> None:
    """Straight ahead the smallest disc binds: 40 mm in half a second, by hand."""
    limited = limit_stride(Twist(0.2), NEUTRAL, RADII, NAMES, 1.0)
    assert limited.reason == 'stride radius 40 mm of right_rear'
    assert limited.twist.x == pytest.approx(0.08)


def test_turn_in_place_by_hand(bracken: Robot) -> None:
    """Turning, a foot at distance d goes a chord 2 d sin(yaw t / 2); by hand."""
    neutral = [(x, y) for x, y, _ in bracken.standing.feet]
    farthest = max(hypot(*point) for point in neutral)
    limited = limit_stride(Twist(0.0, 0.0, 3.0), neutral, [0.05] * 6, list(bracken.leg_names), 1.0)
    # From 2 d sin(yaw / 4) = 0.05, by the half-angle of the triangle with sides d, d, 0.05.
    half = atan2(0.025, (farthest**2 - 0.025**2) ** 0.5)
    assert limited.twist.yaw == pytest.approx(4.0 * half)


@given(
    current=twists,
    target=twists,
    acceleration=st.floats(0.01, 2.0),
    yaw_acceleration=st.floats(0.01, 5.0),
    dt=st.floats(0.001, 0.1),
)
def test_ramp_respects_both_accelerations_and_wastes_none(
    current: Twist, target: Twist, acceleration: float, yaw_acceleration: float, dt: float
) -> None:
    """A tick goes straight to the target, as far as the tighter of both bounds."""
    bounds = GaitParameters(acceleration=acceleration, yaw_acceleration=yaw_acceleration)
    fraction = ramp(current, target, bounds, dt)
    reached = current.towards(target, fraction)
    linear = hypot(reached.x - current.x, reached.y - current.y) / (acceleration * dt)
    angular = abs(reached.yaw - current.yaw) / (yaw_acceleration * dt)
    assert max(linear, angular) <= 1.0 + 1e-6
    if reached != target:
        assert max(linear, angular) == pytest.approx(1.0, abs=1e-6)
