# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Support polygon and static margin, by hand."""

from math import hypot, inf, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.solver import static_margin, support_polygon

TRIANGLE = ((0.0, 0.0), (4.0, 0.0), (0.0, 3.0))
points = st.tuples(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0))


@pytest.mark.parametrize(
    ('point', 'margin'),
    [
        ((1.0, 1.0), 1.0),
        ((4.0 / 3.0, 1.0), 0.8),
        ((2.0, 0.0), 0.0),
        ((2.0, -0.5), -0.5),
        ((4.0, 3.0), -12.0 / 5.0),
        ((7.0, -4.0), -5.0),
    ],
)
def test_margin_of_a_right_triangle(point: tuple[float, float], margin: float) -> None:
    """Inside, on an edge, beyond an edge and beyond a corner of the 3-4-5 triangle (by hand)."""
    assert static_margin(TRIANGLE, point) == pytest.approx(margin, abs=1e-15)


def test_margin_of_a_tripod() -> None:
    """Feet (0.1, 0.06), (-0.1, 0.06), (0, -0.06) m about the origin: 0.0384110640 m (by hand)."""
    feet = ((0.1, 0.06), (-0.1, 0.06), (0.0, -0.06))
    assert static_margin(feet, (0.0, 0.0)) == pytest.approx(0.0384110640, abs=5e-11)


def test_nothing_is_inside_fewer_than_three_feet() -> None:
    """No foot is minus infinity, one foot a point, two or three in line a line (by hand)."""
    assert static_margin((), (0.0, 0.0)) == -inf
    assert static_margin(((3.0, 4.0),), (0.0, 0.0)) == -5.0
    assert static_margin(((-1.0, 1.0), (1.0, 1.0)), (0.0, 0.0)) == -1.0
    assert static_margin(((-1.0, 0.0), (1.0, 0.0)), (0.0, 0.0)) == 0.0
    in_line = ((-1.0, -1.0), (0.0, 0.0), (1.0, 1.0))
    assert static_margin(in_line, (1.0, 0.0)) == pytest.approx(-sqrt(0.5), abs=1e-15)


def test_support_polygon_is_counter_clockwise_and_convex() -> None:
    """Feet inside and on an edge are no corners; the order of the feet does not matter."""
    feet = ((0.0, 1.0), (0.5, 0.5), (1.0, 1.0), (0.5, 0.0), (1.0, 0.0), (0.0, 0.0), (0.0, 0.0))
    square = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
    assert support_polygon(feet) == square
    assert support_polygon(feet[::-1]) == square


@given(st.lists(points, min_size=3, max_size=8), st.lists(st.floats(0.01, 1.0), min_size=8), points)
def test_margin_outside_is_no_more_than_the_way_to_any_foot(
    feet: list[tuple[float, float]], weights: list[float], point: tuple[float, float]
) -> None:
    """A weighted mean of the feet is never outside; outside, no foot is nearer than the polygon."""
    total = sum(weights[: len(feet)])
    mean_x, mean_y = (
        sum(weight * foot[axis] for weight, foot in zip(weights, feet, strict=False)) / total
        for axis in range(2)
    )
    assert static_margin(feet, (mean_x, mean_y)) >= -1e-12
    nearest = min(hypot(point[0] - x, point[1] - y) for x, y in feet)
    assert static_margin(feet, point) >= -nearest - 1e-12


@given(st.lists(points, min_size=3, max_size=6), points)
def test_margin_changes_no_faster_than_the_point(
    feet: list[tuple[float, float]], point: tuple[float, float]
) -> None:
    """Moving the centre of mass by a millimetre changes the margin by no more than that."""
    moved = (point[0] + 6e-4, point[1] - 8e-4)
    change = static_margin(feet, moved) - static_margin(feet, point)
    assert abs(change) <= 1e-3 + 1e-12
