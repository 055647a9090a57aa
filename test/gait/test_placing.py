# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Feet are put in their places two or three at a time, the others hold the body."""

from itertools import pairwise
from math import cos, sin, tau

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leg_kinematics.gait import GaitParameters, GaitState, Twist, Walker
from leg_kinematics.gait.stepping import next_to_place
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver, static_margin

HEXAGON = [(cos(tau * k / 6), sin(tau * k / 6)) for k in range(6)]


def test_half_of_the_legs_at_most() -> None:
    """Of a hexagon every other one may go: the rest is a triangle around the middle."""
    chosen = next_to_place(HEXAGON, range(6), [0, 2, 4, 1, 3, 5], (0.0, 0.0), 0.1)
    assert chosen == [0, 2, 4]


def test_neighbours_are_not_lifted_together() -> None:
    """Without 0 and 1 the middle lies on the edge from 2 to 5."""
    assert next_to_place(HEXAGON, range(6), [0, 1, 3], (0.0, 0.0), 0.1) == [0, 3]


def test_where_nobody_can_be_spared_the_least_needed_one_goes() -> None:
    """Of a triangle and one foot far behind the edge that the middle leans on."""
    feet = [(1.0, 0.0), (-0.5, 0.8), (-0.5, -0.8)]
    chosen = next_to_place(feet, range(3), [0, 1, 2], (0.4, 0.0), 0.1)
    margins = [
        static_margin([foot for leg, foot in enumerate(feet) if leg != out], (0.4, 0.0))
        for out in range(3)
    ]
    assert chosen == [margins.index(max(margins))]


@settings(max_examples=settings().max_examples // 5)
@given(
    shifts=st.lists(
        st.tuples(st.floats(-0.04, 0.04), st.floats(-0.04, 0.04)), min_size=6, max_size=6
    ),
    state=st.sampled_from([GaitState.STANDING, GaitState.RESTING]),
    swing_time=st.sampled_from([0.25, 0.5]),
)
def test_the_body_is_held_all_the_time(
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
    *,
    shifts: list[tuple[float, float]],
    state: GaitState,
    swing_time: float,
) -> None:
    """From wrong places to stand or to rest: at least three feet and the least margin.

    At most three rounds: two or three feet at a time, and in the time that the servos need, where
    that of a swing is too short.
    """
    feet = [
        (x + dx, y + dy, -0.06)
        for (x, y, _), (dx, dy) in zip(bracken.standing.feet, shifts, strict=True)
    ]
    parameters = GaitParameters(swing_time=swing_time)
    walker = Walker(bracken, bracken_legs, parameters, feet)
    if state is GaitState.STANDING:
        walker.stand()
    else:
        walker.crouch()
    samples = [walker.step(0.01, Twist()) for _ in range(700)]
    assert samples[-1].state is state
    lifts = 0
    for before, sample in pairwise(samples):
        assert sum(sample.standing) >= 3
        assert sample.margin >= parameters.min_margin
        lifts += sample.standing != before.standing and sum(sample.standing) < sum(before.standing)
    assert lifts <= 3
    angles = np.array(
        [
            [leg.angles(foot) for leg, foot in zip(bracken_legs, sample.feet, strict=True)]
            for sample in samples
        ]
    )
    allowed = parameters.speed_share * bracken.legs[0].coxa.servo.speed
    assert np.abs(np.diff(angles, axis=0)).max() / 0.01 <= allowed
    posture = bracken.standing if state is GaitState.STANDING else bracken.resting
    for foot, place in zip(samples[-1].feet, posture.feet, strict=True):
        assert foot == pytest.approx(place, abs=1e-3)
