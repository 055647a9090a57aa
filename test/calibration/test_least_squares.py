# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Least squares against certified data, other optimisers, and algebra by hand."""

from math import isinf, radians

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import curve_fit, minimize
from scipy.stats import linregress

from leg_kinematics.calibration.least_squares import (
    Fit,
    Floats,
    Model,
    Observations,
    least_squares,
    mistyped,
)

#: Linear regression "Norris" of the NIST Statistical Reference Datasets: y, x. Certified values and
#: data from memory; that they reproduce each other to 13 digits shows that they were kept well.
NORRIS = [
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5),
    (668.5, 666.3), (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4),
    (0.1, 0.6), (778.1, 775.5), (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6),
    (557.7, 556.0), (228.3, 228.1), (998.0, 995.8), (888.8, 887.6), (119.6, 120.2), (0.3, 0.3),
    (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2), (998.5, 999.0), (778.9, 779.0),
    (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9), (0.2, 0.5),
]  # fmt: skip

#: Anscombe, Graphs in Statistical Analysis, The American Statistician 27 (1973); from memory.
ANSCOMBE_X = (10.0, 8.0, 13.0, 9.0, 11.0, 14.0, 6.0, 4.0, 12.0, 7.0, 5.0)
ANSCOMBE_PLAIN = (8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68)
ANSCOMBE_ONE_OFF = (7.46, 6.77, 12.74, 7.11, 7.81, 8.84, 6.08, 5.39, 8.15, 6.42, 5.73)

#: With neither a scale nor a lag: y = a + b x.
PLAIN_LINE = Model(1, lag=False, middle_us=0.0, half_span_us=1.0)


def observed(pulses: object, angles: object, sides: object = None) -> Observations:
    """Return observations from sequences, approached upwards unless told otherwise."""
    xs, ys = np.array(pulses, dtype=float), np.array(angles, dtype=float)
    return Observations(xs, np.ones(len(xs)) if sides is None else np.array(sides, float), ys)


def noisy(seed: int, *, scatter: float = 0.01) -> Observations:
    """Return angles of a bent servo, read at seven pulses from both sides."""
    rng = np.random.default_rng(seed)
    pulses = np.tile(np.linspace(700.0, 2300.0, 7), 2)
    sides = np.repeat([1.0, -1.0], 7)
    scaled = (pulses - 1500.0) / 800.0
    angles = 0.2 - 1.3 * scaled + 0.05 * scaled**2 - 0.02 * scaled**3 + 0.01 * sides
    return Observations(pulses, sides, angles + rng.normal(0.0, scatter, len(pulses)))


def test_certified_regression() -> None:
    """Coefficients, their standard errors and the scatter are those that NIST certifies."""
    angles, pulses = zip(*NORRIS, strict=True)
    fit = least_squares(PLAIN_LINE, observed(pulses, angles))
    offset, slope = (fit.combination(np.eye(2)[index]) for index in (0, 1))
    assert offset.value == pytest.approx(-0.262323073774029, rel=1e-11)
    assert offset.standard_error == pytest.approx(0.232818234301152, rel=1e-11)
    assert slope.value == pytest.approx(1.00211681802045, rel=1e-13)
    assert slope.standard_error == pytest.approx(0.429796848199937e-03, rel=1e-11)
    assert np.sqrt(fit.variance) == pytest.approx(0.884796396144373, rel=1e-11)
    assert fit.freedom == 34


def test_two_points_by_hand() -> None:
    """Through (1000, 0.5) and (2000, -0.5): slope -1/1000, and 0 half way between them."""
    fit = least_squares(
        Model(1, lag=False, middle_us=1500.0, half_span_us=500.0),
        observed([1000.0, 2000.0], [0.5, -0.5]),
    )
    # Per half span of 500 µs the angle changes by -0.5.
    assert fit.coefficients == pytest.approx([0.0, -0.5], abs=1e-15)
    assert fit.at(1250.0).value == pytest.approx(0.25)
    # Two points say nothing about their own errors.
    assert fit.freedom == 0
    assert isinf(fit.at(1500.0).standard_error)
    assert isinf(fit.at(1500.0).half_width)


def test_a_straight_line_as_another_library_fits_it() -> None:
    """scipy.stats.linregress gives the same slope, offset and standard errors."""
    seen = noisy(3)
    fit = least_squares(PLAIN_LINE, seen)
    other = linregress(seen.pulses_us, seen.angles)
    slope, offset = fit.combination(np.eye(2)[1]), fit.combination(np.eye(2)[0])
    assert slope.value == pytest.approx(other.slope, rel=1e-10)
    assert slope.standard_error == pytest.approx(other.stderr, rel=1e-8)
    assert offset.value == pytest.approx(other.intercept, rel=1e-10)
    assert offset.standard_error == pytest.approx(other.intercept_stderr, rel=1e-8)


def test_a_cubic_as_another_library_fits_it() -> None:
    """numpy.polyfit on the pulses as they are gives the same angles."""
    seen = noisy(4)
    fit = least_squares(Model(3, lag=False, middle_us=1500.0, half_span_us=800.0), seen)
    other = np.polynomial.Polynomial.fit(seen.pulses_us, seen.angles, 3)
    for pulse in (700.0, 1111.0, 2300.0):
        assert fit.at(pulse).value == pytest.approx(float(other(pulse)), abs=1e-12)


@pytest.mark.parametrize('degree', [1, 3])
def test_a_lag_as_optimisers_find_it_from_elsewhere(degree: int) -> None:
    """Scipy's Levenberg-Marquardt and Nelder-Mead, from a start far away, end at the same place."""
    seen = noisy(5)
    fit = least_squares(Model(degree, lag=True, middle_us=1500.0, half_span_us=800.0), seen)

    def angle(inputs: Floats, *unknowns: float) -> Floats:
        scaled, side = (inputs[0] - 1500.0) / 800.0, inputs[1]
        *powers, lag = unknowns
        curve: Floats = sum((each * scaled**power for power, each in enumerate(powers)), lag * side)
        return curve

    inputs = np.array([seen.pulses_us, seen.sides])
    start = [7.0] * (degree + 2)
    found, covariance = curve_fit(angle, inputs, seen.angles, p0=start)
    assert fit.coefficients == pytest.approx(found, abs=1e-7)
    assert fit.inverse * fit.variance == pytest.approx(covariance, rel=1e-5, abs=1e-9)
    if degree == 1:
        simplex = minimize(
            lambda unknowns: np.sum((angle(inputs, *unknowns) - seen.angles) ** 2),
            start,
            method='Nelder-Mead',
            options={'xatol': 1e-9, 'fatol': 1e-15, 'maxiter': 5000, 'maxfev': 5000},
        )
        assert fit.coefficients == pytest.approx(simplex.x, abs=1e-6)
    assert fit.rss == pytest.approx(float(fit.residuals(seen) @ fit.residuals(seen)))


def test_a_model_that_is_not_determined_says_so() -> None:
    """Two pulses carry no cubic, and a lag needs both sides."""
    seen = observed([1000.0, 1000.0, 2000.0, 2000.0], [0.0, 0.1, 1.0, 1.1])
    line = Model(1, lag=False, middle_us=1500.0, half_span_us=500.0)
    assert line.determined_by(seen)
    assert not Model(3, lag=False, middle_us=1500.0, half_span_us=500.0).determined_by(seen)
    assert not Model(1, lag=True, middle_us=1500.0, half_span_us=500.0).determined_by(seen)


def test_the_textbook_observation_that_is_off_is_found() -> None:
    """Of Anscombe's third set the point at x = 13; of his first set, none."""
    assert mistyped(PLAIN_LINE, observed(ANSCOMBE_X, ANSCOMBE_ONE_OFF)) == (2,)
    assert mistyped(PLAIN_LINE, observed(ANSCOMBE_X, ANSCOMBE_PLAIN)) == ()


CUBIC = Model(3, lag=True, middle_us=1500.0, half_span_us=800.0)


@pytest.mark.parametrize(
    'errors',
    [
        {3: 9.0},
        {0: -20.0},
        {13: 30.0},
        # Beside each other, and on the same side: each makes the other look right.
        {5: 20.0, 6: 20.0},
        {2: 30.0, 11: 30.0},
        # So near an end that the right one between them is the farthest from a curve.
        {5: 36.0, 13: 70.0},
        # Three of them.
        {1: 40.0, 6: -25.0, 10: 30.0},
    ],
)
def test_readings_that_do_not_belong_are_found(errors: dict[int, float]) -> None:
    """In degrees, of fourteen readings that scatter by half a degree."""
    seen = noisy(6, scatter=radians(0.5))
    for place, degrees in errors.items():
        seen.angles[place] += radians(degrees)
    assert mistyped(CUBIC, seen) == tuple(sorted(errors))


def test_without_readings_to_spare_none_is_suspected() -> None:
    """Whatever three readings say, none of them can be told to be wrong."""
    line = Model(1, lag=False, middle_us=1500.0, half_span_us=500.0)
    assert mistyped(line, observed([1000.0, 1500.0, 2000.0], [0.0, 3.0, 1.0])) == ()


def test_an_only_reading_at_its_pulse_is_no_reason_to_fail() -> None:
    """The others do not determine a cubic without it: it is not judged, the others are."""
    seen = observed([700.0] * 4 + [1000.0] * 4 + [2000.0] * 4 + [2300.0], [0.0] * 12 + [1.0])
    cubic = Model(3, lag=False, middle_us=1500.0, half_span_us=800.0)
    assert mistyped(cubic, seen) == ()


def fitted(seen: Observations) -> Fit:
    """Fit the cubic with a lag."""
    return least_squares(CUBIC, seen)


@given(
    seed=st.integers(0, 10_000),
    shift=st.floats(-3.0, 3.0),
    scale=st.floats(0.1, 10.0),
    order=st.permutations(range(14)),
)
def test_a_fit_follows_what_is_done_to_its_readings(
    seed: int, shift: float, scale: float, order: list[int]
) -> None:
    """In another order nothing changes; all angles turned and stretched turn and stretch it."""
    seen = noisy(seed)
    before = fitted(seen)
    places = np.array(order)
    after = fitted(
        Observations(
            seen.pulses_us[places], seen.sides[places], scale * seen.angles[places] + shift
        )
    )
    for pulse in (700.0, 1234.0, 2300.0):
        assert after.at(pulse).value == pytest.approx(scale * before.at(pulse).value + shift)
        assert after.at(pulse).half_width == pytest.approx(scale * before.at(pulse).half_width)
