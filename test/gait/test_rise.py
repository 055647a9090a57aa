# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The body rises and sinks, and turns round on its way, without passing either end."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.gait.rise import SLACK, Rise

LOW, HIGH, TIME, DT = 0.030, 0.085, 2.0, 0.01


def test_a_way_takes_its_time() -> None:
    """And not a tick less; then it is at its goal exactly."""
    rise = Rise(LOW, TIME)
    done = [rise.step(HIGH, DT) for _ in range(201)]
    assert done.index(True) == pytest.approx(199, abs=1)
    assert rise.state.position == HIGH
    assert rise.state.velocity == 0.0


@given(ticks=st.lists(st.integers(1, 250), min_size=1, max_size=8))
def test_turned_round_it_passes_no_end(ticks: list[int]) -> None:
    """Whenever the mind is changed; velocity stays continuous, and the last goal is reached."""
    rise = Rise(LOW, TIME)
    heights, speeds = [LOW], [0.0]
    goal = LOW
    for turn, count in enumerate([*ticks, 450]):
        goal = LOW if turn % 2 else HIGH
        for _ in range(count):
            rise.step(goal, DT)
            heights.append(rise.state.position)
            speeds.append(rise.state.velocity)
    assert min(heights) >= LOW - SLACK
    assert max(heights) <= HIGH + SLACK
    # Twice the peak acceleration of a whole way, 5.7735 D/T^2 (Flash and Hogan 1985).
    most = 2.0 * 5.7735 * (HIGH - LOW) / TIME**2 * DT
    assert max(abs(b - a) for a, b in pairwise(speeds)) <= most
    assert rise.state.position == pytest.approx(goal, abs=1e-12)
