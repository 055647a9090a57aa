# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The quintic of least jerk: known values, boundary values, planning anew on the way."""

from math import sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.solver import State, minimum_jerk

states = st.builds(State, *3 * [st.floats(-10.0, 10.0)])
durations = st.floats(0.1, 10.0)


def test_matches_the_curve_from_rest_to_rest() -> None:
    """s(0.3) = 0.16308, by hand and by modern_robotics.QuinticTimeScaling(2, 0.6).

    The law is that of Flash and Hogan 1985 (from memory).
    """
    assert minimum_jerk(State(0.0), 1.0, 2.0, 0.6).position == pytest.approx(0.16308, abs=1e-15)


def test_has_the_known_peaks() -> None:
    """Peak speed 1.875 D/T in the middle, peak acceleration 5.7735 D/T^2 at 0.2113249 T.

    By hand from the law, for D = 0.1 m, T = 0.5 s.
    """
    middle = minimum_jerk(State(0.2), 0.3, 0.5, 0.25)
    assert middle.velocity == pytest.approx(1.875 * 0.1 / 0.5, rel=1e-14)
    assert middle.acceleration == pytest.approx(0.0, abs=1e-13)
    times = np.linspace(0.0, 0.5, 2001)
    accelerations = [minimum_jerk(State(0.2), 0.3, 0.5, float(t)).acceleration for t in times]
    assert max(accelerations) == pytest.approx(5.7735 * 0.1 / 0.25, rel=1e-5)
    assert times[np.argmax(accelerations)] == pytest.approx(0.2113249 * 0.5, abs=2.5e-4)
    peak = minimum_jerk(State(0.2), 0.3, 0.5, (0.5 - sqrt(3.0) / 6.0) * 0.5)
    assert peak.acceleration == pytest.approx(10.0 / sqrt(3.0) * 0.1 / 0.25, rel=1e-14)


def test_starts_at_the_start_and_rests_at_the_goal() -> None:
    """Time 0 is the start with its velocity and acceleration; from the end on it is at rest."""
    start = State(1.0, -2.0, 3.0)
    assert minimum_jerk(start, 5.0, 2.0, 0.0) == start
    for time in (2.0, 2.5, 1e9):
        assert minimum_jerk(start, 5.0, 2.0, time) == State(5.0)
    assert minimum_jerk(start, 5.0, 0.0, 0.0) == State(5.0)


@given(states, st.floats(-10.0, 10.0), durations, st.floats(0.0, 0.999))
def test_is_the_quintic_of_its_boundary_values(
    start: State, goal: float, duration: float, part: float
) -> None:
    """The same polynomial as from numpy's solution of the six boundary conditions."""
    polynomial = np.polynomial.Polynomial
    # Position, velocity and acceleration of each power of u at u = 0 and at u = 1.
    powers = [polynomial.basis(power) for power in range(6)]
    rows = [[p.deriv(order)(end) for p in powers] for end in (0.0, 1.0) for order in range(3)]
    values = [start.position, start.velocity * duration, start.acceleration * duration**2]
    curve = polynomial(np.linalg.solve(rows, [*values, goal, 0.0, 0.0]))
    found = minimum_jerk(start, goal, duration, part * duration)
    scale = 1e-12 * max(1.0, *(abs(value) for value in values), abs(goal))
    assert found.position == pytest.approx(curve(part), abs=100 * scale)
    velocity = float(curve.deriv(1)(part))
    assert found.velocity * duration == pytest.approx(velocity, abs=1000 * scale)
    acceleration = float(curve.deriv(2)(part))
    assert found.acceleration * duration**2 == pytest.approx(acceleration, abs=1000 * scale)


@given(states, st.floats(-10.0, 10.0), durations, st.floats(0.0, 0.95), st.floats(0.0, 1.0))
def test_planning_anew_on_the_way_keeps_the_way(
    start: State, goal: float, duration: float, now: float, later: float
) -> None:
    """From any state on the way the same goal in the time left gives the same way."""
    here = minimum_jerk(start, goal, duration, now * duration)
    left = duration - now * duration
    then = minimum_jerk(here, goal, left, later * left)
    expected = minimum_jerk(start, goal, duration, duration - left + later * left)
    scale = 1e-11 * max(1.0, duration) ** 2
    assert then.position == pytest.approx(expected.position, abs=10 * scale)
    assert then.velocity * left == pytest.approx(expected.velocity * left, abs=100 * scale)
    assert then.acceleration * left**2 == pytest.approx(
        expected.acceleration * left**2, abs=1000 * scale
    )


def test_moving_the_goal_on_the_way_makes_no_jump() -> None:
    """A new goal starts from the position, velocity and acceleration reached."""
    here = minimum_jerk(State(0.0), 1.0, 1.0, 0.4)
    then = minimum_jerk(here, -3.0, 0.6, 0.0)
    assert then.position == here.position
    assert then.velocity == pytest.approx(here.velocity, rel=1e-15)
    assert then.acceleration == pytest.approx(here.acceleration, rel=1e-15)
