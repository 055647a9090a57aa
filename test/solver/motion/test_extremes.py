# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The extremes of a trajectory against those that scipy finds on its own cubics."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import CubicHermiteSpline

from leg_kinematics.solver import Trajectory, peak_speeds, position_ranges

ROUNDING = 1e-9

values = st.integers(-50, 50).map(lambda tenths: tenths / 10.0)
points = st.lists(st.tuples(st.integers(1, 20), values, values), min_size=1, max_size=5)


@given(points)
def test_extremes_are_those_of_the_cubics_of_scipy(
    steps: list[tuple[int, float, float]],
) -> None:
    """Range and peak speed contain 400 samples a piece, and samples come close to them."""
    times = np.cumsum([step / 10.0 for step, _, _ in steps]).tolist()
    trajectory = Trajectory(
        tuple(times), tuple((p,) for _, p, _ in steps), tuple((v,) for _, _, v in steps)
    )
    ((low, high),) = position_ranges(trajectory)
    (peak,) = peak_speeds(trajectory)
    positions, speeds = [p for _, p, _ in steps], [abs(v) for _, _, v in steps]
    if len(steps) > 1:
        spline = CubicHermiteSpline(times, positions, [v for _, _, v in steps])
        fine = np.interp(np.linspace(0, len(times) - 1, 400 * len(times)), range(len(times)), times)
        positions += spline(fine).tolist()
        speeds += np.abs(spline.derivative()(fine)).tolist()
    assert low - ROUNDING <= min(positions) <= low + 1e-3
    assert high - 1e-3 <= max(positions) <= high + ROUNDING
    assert peak - 1e-2 <= max(speeds) <= peak + ROUNDING


def test_a_cubic_leaves_the_range_of_its_points() -> None:
    """From 0 to 0 in 1 s, leaving at 4 rad/s and arriving at -4: 4u - 4u^2 rises to 1 (by hand)."""
    trajectory = Trajectory((0.0, 1.0), ((0.0,), (0.0,)), ((4.0,), (-4.0,)))
    assert position_ranges(trajectory)[0] == pytest.approx((0.0, 1.0))
    assert peak_speeds(trajectory) == (4.0,)


def test_from_rest_to_rest_the_speed_peaks_halfway() -> None:
    """3u^2 - 2u^3 is fastest at its middle, by 1.5 times the mean (by hand); range is the ends."""
    trajectory = Trajectory((1.0, 3.0), ((-1.0, 2.0), (1.0, 2.0)), ((0.0, 0.0), (0.0, 0.0)))
    assert position_ranges(trajectory) == ((-1.0, 1.0), (2.0, 2.0))
    assert peak_speeds(trajectory) == pytest.approx((1.5, 0.0))
