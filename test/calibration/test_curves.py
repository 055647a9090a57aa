# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Joint angle becomes pulse and pulse becomes joint angle."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.calibration import LinearCurve, ServoMap, TableCurve
from leg_kinematics.errors import MapRangeError

GAIN = 1000.0 / (math.pi / 2.0)


@st.composite
def tables(draw: st.DrawFn) -> TableCurve:
    """Draw a monotone table, rising or falling in either column."""
    count = draw(st.integers(2, 12))
    angle_steps = draw(st.lists(st.floats(0.01, 0.5), min_size=count, max_size=count))
    pulse_steps = draw(st.lists(st.floats(5.0, 300.0), min_size=count, max_size=count))
    angles = [sum(angle_steps[:index], -1.5) for index in range(count)]
    pulses = [sum(pulse_steps[:index], 500.0) for index in range(count)]
    for column in (angles, pulses):
        if draw(st.booleans()):
            column.reverse()
    return TableCurve(tuple(angles), tuple(pulses))


@given(
    st.floats(500.0, 2500.0),
    st.floats(100.0, 1500.0),
    st.sampled_from((-1.0, 1.0)),
    st.floats(-math.pi, math.pi),
    st.floats(-math.pi, math.pi),
)
def test_line_returns_the_angle_it_was_given(
    centre: float, gain: float, sign: float, offset: float, angle: float
) -> None:
    """Angle to pulse to angle is the identity for a line in either direction."""
    curve = LinearCurve(centre, sign * gain, offset)
    assert curve.angle(curve.pulse_us(angle)) == pytest.approx(angle, abs=1e-10)


@given(tables(), st.floats(0.0, 1.0))
def test_table_returns_the_angle_it_was_given(curve: TableCurve, share: float) -> None:
    """Angle to pulse to angle is the identity all over a table."""
    low, high = min(curve.angles), max(curve.angles)
    angle = min(max(low + share * (high - low), low), high)
    assert curve.angle(curve.pulse_us(angle)) == pytest.approx(angle, abs=1e-9)


@given(tables())
def test_table_goes_through_its_points(curve: TableCurve) -> None:
    """At its own points a table says exactly what was measured there."""
    for angle, pulse in zip(curve.angles, curve.pulses_us, strict=True):
        assert curve.pulse_us(angle) == pulse
        assert curve.angle(pulse) == angle


def test_quarter_turn_per_thousand_microseconds() -> None:
    """1000, 1500 and 2000 µs are the ends and the centre of a quarter turn (Arduino Servo)."""
    # 90 degrees per 1000 µs is one of the two gains that are sold (common practice, no source).
    curve = LinearCurve(1500.0, GAIN, 0.0)
    angles = [curve.angle(pulse) for pulse in (1000.0, 1500.0, 2000.0)]
    assert angles == pytest.approx([-math.pi / 4.0, 0.0, math.pi / 4.0])


def test_dead_band_in_degrees() -> None:
    """5 µs at 90 degrees per 1000 µs are 0.45 degrees (by hand)."""
    curve = LinearCurve(1500.0, -GAIN, 0.3)
    assert math.degrees(curve.angle(1500.0) - curve.angle(1505.0)) == pytest.approx(0.45)


def test_horn_offset_is_the_angle_at_the_centre() -> None:
    """At the centre pulse the joint stands where the horn was put."""
    curve = LinearCurve(1487.0, -GAIN, -1.3)
    assert curve.angle(1487.0) == -1.3
    assert curve.pulse_us(-1.2) == pytest.approx(1487.0 - 0.1 * GAIN)


def test_table_is_straight_between_its_points() -> None:
    """Between two points a table interpolates, and errs on a sine by h²/8 at most."""
    # Linear interpolation of sin on [0, π/2] in 4 pieces (textbook bound h²/8·max|f''| =
    # 0.0192766): the largest error is 0.0188463.
    angles = tuple(index * math.pi / 8.0 for index in range(5))
    curve = TableCurve(angles, tuple(math.sin(angle) for angle in angles))
    samples = [index * math.pi / 4000.0 for index in range(2001)]
    worst = max(math.sin(angle) - curve.pulse_us(min(angle, angles[-1])) for angle in samples)
    assert worst == pytest.approx(0.0188463, abs=1e-6)


@pytest.mark.parametrize('angle', [-0.51, 0.51, math.nan, math.inf])
def test_nothing_is_known_beyond_a_table(angle: float) -> None:
    """A table is not extrapolated, and refuses what is not a number."""
    curve = TableCurve((-0.5, 0.0, 0.5), (1900.0, 1500.0, 1200.0))
    with pytest.raises(MapRangeError, match='beyond the table'):
        curve.pulse_us(angle)


@pytest.mark.parametrize(
    ('angles', 'pulses', 'message'),
    [
        ((0.0,), (1500.0,), r'two points or more \(got 1\)'),
        ((0.0, 1.0), (1500.0,), '2 angles but 1 pulses'),
        (
            (0.0, 1.0, 0.5),
            (1000.0, 1500.0, 2000.0),
            'the angles must all rise or all fall .* row 3',
        ),
        ((0.0, 0.0), (1000.0, 1500.0), 'the angles must'),
        ((0.0, 0.5, 1.0), (1000.0, 1500.0, 1500.0), 'the pulses must all rise or all fall'),
        ((0.0, math.nan, 1.0), (1000.0, 1500.0, 1600.0), 'the angles must'),
    ],
)
def test_table_without_an_inverse_is_refused(
    angles: tuple[float, ...], pulses: tuple[float, ...], message: str
) -> None:
    """Two angles with one pulse, or one angle with two, are no map."""
    with pytest.raises(ValueError, match=message):
        TableCurve(angles, pulses)


@given(
    st.one_of(
        tables(),
        st.builds(
            LinearCurve, st.floats(1400.0, 1600.0), st.sampled_from((-GAIN, GAIN)), st.floats(-1, 1)
        ),
    ),
    st.floats(0.0, 1.0),
)
def test_pulse_of_a_map_keeps_its_bounds(curve: LinearCurve | TableCurve, share: float) -> None:
    """Any angle of the range gives a pulse within the bounds; just beyond is refused."""
    lowest, highest = curve.pulse_span_us
    lowest, highest = max(lowest, 502.0), min(highest, 2400.0)
    servo_map = ServoMap('left_front_coxa', 'main', 0, curve, lowest, highest)
    low, high = servo_map.angle_range
    angle = min(low + share * (high - low), high)
    assert lowest <= servo_map.pulse_us(angle) <= highest
    assert servo_map.angle(servo_map.pulse_us(angle)) == pytest.approx(angle, abs=1e-9)
    for beyond in (low - 1e-6, high + 1e-6, math.nan):
        with pytest.raises(MapRangeError, match='left_front_coxa: angle'):
            servo_map.pulse_us(beyond)


def test_range_of_a_map_by_hand() -> None:
    """600 … 2400 µs at 90 degrees per 1000 µs are 81 degrees to either side of the horn offset."""
    curve = LinearCurve(1500.0, -GAIN, math.radians(20.0))
    low, high = ServoMap('left_front_femur', 'main', 1, curve, 600.0, 2400.0).angle_range
    assert (math.degrees(low), math.degrees(high)) == pytest.approx((-61.0, 101.0))
