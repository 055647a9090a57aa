# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The body rises and sinks, and turns round on its way, without passing either end."""

from collections.abc import Callable
from functools import partial
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.gait import GaitParameters
from leg_kinematics.gait.envelope import Envelopes
from leg_kinematics.gait.phases import wave_phases
from leg_kinematics.gait.posing import WAY_TOLERANCE, Posing
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver

LOW, HIGH, TIME, DT = 0.030, 0.085, 2.0, 0.01


Resting = Callable[[], Posing]


@pytest.fixture(scope='module')
def resting(bracken: Robot, bracken_legs: tuple[LegSolver, ...]) -> Resting:
    """Make bodies at rest, down low."""
    parameters = GaitParameters(stand_time=TIME)
    envelopes = Envelopes(bracken, bracken_legs, parameters, wave_phases(bracken))
    return partial(Posing, bracken.leg_names, parameters, envelopes, LOW)


def test_a_way_takes_its_time(resting: Resting) -> None:
    """And not a tick less; then it is at its goal exactly."""
    body = resting()
    done = [body.go_to_height(HIGH, DT) for _ in range(201)]
    assert done.index(True) == pytest.approx(199, abs=1)
    assert body.rise.position == HIGH
    assert body.rise.velocity == 0.0


@given(ticks=st.lists(st.integers(1, 250), min_size=1, max_size=8))
def test_turned_round_it_passes_no_end(resting: Resting, ticks: list[int]) -> None:
    """Whenever the mind is changed; velocity stays continuous, and the last goal is reached."""
    body = resting()
    heights, speeds = [LOW], [0.0]
    goal = LOW
    for turn, count in enumerate([*ticks, 450]):
        goal = LOW if turn % 2 else HIGH
        for _ in range(count):
            body.go_to_height(goal, DT)
            heights.append(body.rise.position)
            speeds.append(body.rise.velocity)
    assert min(heights) >= LOW - WAY_TOLERANCE
    assert max(heights) <= HIGH + WAY_TOLERANCE
    # Twice the peak acceleration of a whole way, 5.7735 D/T^2 (Flash and Hogan 1985).
    most = 2.0 * 5.7735 * (HIGH - LOW) / TIME**2 * DT
    assert max(abs(b - a) for a, b in pairwise(speeds)) <= most
    assert body.rise.position == pytest.approx(goal, abs=1e-12)
