# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A trajectory sampled at, between and beyond its points."""

from math import inf, nan, nextafter

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from leg_kinematics.errors import CommandError
from leg_kinematics.solver import Trajectory

TWO_POINTS = Trajectory((1.0, 3.0), ((0.0, 5.0), (2.0, 5.0)), ((0.0, 0.0), (0.0, 0.0)))


@pytest.mark.parametrize(
    ('time', 'expected'),
    [
        (-inf, (0.0, 5.0)),
        (0.0, (0.0, 5.0)),
        (1.0, (0.0, 5.0)),
        (2.0, (1.0, 5.0)),
        (1.5, (0.3125, 5.0)),
        (3.0, (2.0, 5.0)),
        (9.0, (2.0, 5.0)),
        (inf, (2.0, 5.0)),
    ],
)
def test_holds_its_ends_and_eases_between(time: float, expected: tuple[float, ...]) -> None:
    """Before the first point the first holds, after the last the last; between 3u^2 - 2u^3."""
    assert TWO_POINTS.sample(time) == pytest.approx(expected, abs=1e-15)


def test_a_single_point_holds_at_any_time() -> None:
    """One point is a target to hold, whatever the time."""
    point = Trajectory((0.5,), ((1.0, 2.0),), ((3.0, 4.0),))
    assert [point.sample(time) for time in (0.0, 0.5, 1.0)] == 3 * [(1.0, 2.0)]
    assert point.end == 0.5


def test_ends_at_its_last_time() -> None:
    """The end is the time of the last point."""
    assert TWO_POINTS.end == 3.0


def test_does_not_jump_at_its_points() -> None:
    """An ulp before and after an inner point the position is that of the point."""
    trajectory = Trajectory((0.0, 0.1, 0.3), ((0.0,), (1.0,), (-1.0,)), ((2.0,), (-5.0,), (7.0,)))
    for time, position in ((0.0, 0.0), (0.1, 1.0), (0.3, -1.0)):
        for near in (nextafter(time, -inf), time, nextafter(time, inf)):
            assert trajectory.sample(near) == pytest.approx((position,), abs=1e-14)


@given(
    st.lists(st.tuples(*4 * [st.floats(-5.0, 5.0)]), min_size=1, max_size=4),
    st.lists(st.integers(0, 1000), min_size=2, max_size=6, unique=True),
    st.floats(0.0, 1.0),
)
@example([(0.0, 0.0, 0.0, 1.0)], [60, 689], 1.0).via('0.060 + 1.0 * (0.689 - 0.060) > 0.689')
def test_reproduces_a_cubic(
    coefficients: list[tuple[float, ...]], thousandths: list[int], part: float
) -> None:
    """Points of any cubic give back that cubic from the first to the last, each joint its own."""
    cubics = [np.polynomial.Polynomial(row) for row in coefficients]
    times = tuple(value / 1000.0 for value in sorted(thousandths))
    trajectory = Trajectory(
        times,
        tuple(tuple(float(cubic(t)) for cubic in cubics) for t in times),
        tuple(tuple(float(cubic.deriv()(t)) for cubic in cubics) for t in times),
    )
    # The sum may be rounded to behind the last point, where all is at rest.
    time = min(times[0] + part * (times[-1] - times[0]), times[-1])
    expected = [float(cubic(time)) for cubic in cubics]
    assert trajectory.sample(time) == pytest.approx(expected, abs=1e-13)
    positions, velocities = trajectory.state(time)
    assert positions == trajectory.sample(time)
    # The difference of two rounded positions, over a span of no less than a thousandth.
    assert velocities == pytest.approx([float(cubic.deriv()(time)) for cubic in cubics], abs=1e-10)


@pytest.mark.parametrize(
    ('time', 'expected'),
    [
        (-inf, 0.0),
        (nextafter(0.0, -inf), 0.0),
        (0.0, 2.0),
        (nextafter(0.0, inf), 2.0),
        (nextafter(0.1, -inf), -5.0),
        (0.1, -5.0),
        (nextafter(0.1, inf), -5.0),
        (nextafter(0.3, -inf), 7.0),
        (0.3, 7.0),
        (nextafter(0.3, inf), 0.0),
        (inf, 0.0),
    ],
)
def test_is_at_rest_beyond_its_ends_only(time: float, expected: float) -> None:
    """At its points, both ends included, the velocities are theirs; an ulp beyond an end, zero."""
    trajectory = Trajectory((0.0, 0.1, 0.3), ((0.0,), (1.0,), (-1.0,)), ((2.0,), (-5.0,), (7.0,)))
    assert trajectory.state(time)[1] == pytest.approx((expected,))


@pytest.mark.parametrize(
    ('times', 'message'),
    [
        ((0.0, 0.0), 'got 0 s then 0 s'),
        ((0.1, 0.05), 'got 0.1 s then 0.05 s'),
        ((0.0, nan), 'not finite'),
        ((0.0, inf), 'not finite'),
    ],
)
def test_refuses_times_that_do_not_increase(times: tuple[float, ...], message: str) -> None:
    """Equal, falling and non-finite times are refused, with the values."""
    with pytest.raises(CommandError, match=message):
        Trajectory(times, ((0.0,), (1.0,)), ((0.0,), (0.0,)))


@pytest.mark.parametrize(
    ('times', 'positions', 'velocities', 'message'),
    [
        ((), (), (), 'got 0 times, 0 and 0 rows'),
        ((0.0, 1.0), ((0.0,),), ((0.0,), (0.0,)), 'got 2 times, 1 and 2 rows'),
        ((0.0,), ((0.0,),), (), 'got 1 times, 1 and 0 rows'),
        ((0.0,), ((0.0, 1.0),), ((0.0,),), r'got rows of \[1, 2\]'),
        ((0.0, 1.0), ((0.0, 1.0), (0.0,)), ((0.0, 0.0), (0.0, 0.0)), r'got rows of \[1, 2\]'),
    ],
)
def test_refuses_rows_that_do_not_match(
    times: tuple[float, ...],
    positions: tuple[tuple[float, ...], ...],
    velocities: tuple[tuple[float, ...], ...],
    message: str,
) -> None:
    """A missing row, or a row of another number of joints, is refused with what was found."""
    with pytest.raises(CommandError, match=message):
        Trajectory(times, positions, velocities)


@pytest.mark.parametrize('value', [nan, inf, -inf])
def test_refuses_values_that_are_not_finite(value: float) -> None:
    """NaN and infinity are no positions and no velocities."""
    with pytest.raises(CommandError, match='not finite'):
        Trajectory((0.0,), ((0.0, value),), ((0.0, 0.0),))
    with pytest.raises(CommandError, match='not finite'):
        Trajectory((0.0,), ((0.0, 0.0),), ((value, 0.0),))
