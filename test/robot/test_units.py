# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Quantities with units become numbers in SI."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.robot import Dimension, parse_quantity
from leg_kinematics.robot.units import UNITS, meant


@pytest.mark.parametrize(
    ('text', 'dimension', 'expected'),
    [
        # Standard gravity makes 1 kgf.cm 0.0980665 N.m exactly (3rd CGPM, 1901).
        ('1 kgf.cm', 'torque', 0.0980665),
        # What sellers print for a 13 g micro servo with metal gears (from memory; such sheets
        # have no number): 1.8 kgf.cm and 0.10 s/60deg.
        ('1.8 kgf.cm', 'torque', 0.1765197),
        ('0.10 s/60deg', 'angular speed', 10.471976),
        # 90 degrees per 1000 us (common practice, no source): 5 us are 0.45 degrees.
        ('11.111111111 us/deg', 'pulse gain', 5.0 / math.radians(0.45)),
        # Definitions of the units.
        ('62 mm', 'length', 0.062),
        ('6.2cm', 'length', 0.062),
        ('180 deg', 'angle', math.pi),
        ('-35 deg', 'angle', -0.6108652),
        ('70 g', 'mass', 0.07),
        ('2 kg', 'mass', 2.0),
        ('6.5 rad/s', 'angular speed', 6.5),
        ('360 deg/s', 'angular speed', 2.0 * math.pi),
        ('20 N.cm', 'torque', 0.2),
        ('640 us/rad', 'pulse gain', 640.0),
        ('60 mm/s', 'speed', 0.06),
        ('6 cm/s', 'speed', 0.06),
        ('250 ms', 'time', 0.25),
        ('1.5 min', 'time', 90.0),
    ],
)
def test_published_and_defined_values(text: str, dimension: Dimension, expected: float) -> None:
    """A quantity with its unit has the value that the definition of the unit gives it."""
    assert parse_quantity(text, dimension) == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize('written', ['1500 us', '1.5 ms', '0.0015 s', 0.0015, '1.5e-3'])
def test_pulse_comes_out_in_microseconds(written: object) -> None:
    """Whatever the unit of a pulse, it is counted in µs; a bare number is in seconds."""
    assert parse_quantity(written, 'pulse') == 1500.0


def test_decimal_prefix_is_exact() -> None:
    """A length in millimetres is the same number as in metres, to the last bit."""
    assert all(parse_quantity(f'{n} mm', 'length') == float(f'{n}e-3') for n in range(2000))


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(sorted(UNITS)))
def test_bare_number_is_si(number: float, dimension: Dimension) -> None:
    """A bare number means the same as the number with the first unit of its dimension."""
    first = next(iter(UNITS[dimension]))
    try:
        expected = parse_quantity(f'{number!r} {first}', dimension)
    except ValueError:
        with pytest.raises(ValueError, match='too large'):
            parse_quantity(number, dimension)
    else:
        assert parse_quantity(number, dimension) == expected


@pytest.mark.parametrize(
    ('value', 'dimension', 'message'),
    [
        ('62 deg', 'length', "'62 deg' is not a quantity of length.*m, cm, mm"),
        ('35 degrees', 'angle', 'rad, deg; a bare number is in rad'),
        ('15 kg.cm', 'torque', 'kgf.cm'),
        ('fast', 'angular speed', 'not a quantity'),
        ('62 mm mm', 'length', 'not a quantity'),
        ('', 'length', 'not a quantity'),
        (None, 'length', 'not a quantity'),
        (True, 'length', 'not a quantity'),
        ([1], 'length', 'not a quantity'),
        (math.nan, 'length', 'not a quantity'),
        (math.inf, 'length', 'not a quantity'),
        ('nan m', 'length', 'not a quantity'),
        ('1e400 m', 'length', 'too large'),
        ('0 s/60deg', 'angular speed', 'must be above zero'),
        ('-0.1 s/60deg', 'angular speed', 'must be above zero'),
    ],
)
def test_what_is_no_quantity_is_refused(value: object, dimension: Dimension, message: str) -> None:
    """A wrong unit, no number, or no finite number is an error that lists the units."""
    with pytest.raises(ValueError, match=message):
        parse_quantity(value, dimension)


@pytest.mark.parametrize(
    ('written', 'dimension', 'expected'),
    [
        ('62,5 mm', 'length', '62.5 mm'),
        ('62,5', 'length', '62.5'),
        ('68 MM', 'length', '68 mm'),
        ('15 kg/cm', 'torque', '15 kgf.cm'),
        ('15 kg-cm', 'torque', '15 kgf.cm'),
        ('1,5 Nm', 'torque', '1.5 N.m'),
        ('-60°', 'angle', '-60 deg'),
        ('90degrees', 'angle', '90 deg'),
        ('0.16 sec/60°', 'angular speed', '0.16 s/60deg'),
        ('1500µs', 'pulse', '1500 us'),
        ('2200mah', 'charge', '2200 mAh'),
        ('2 seconds', 'time', '2 s'),
        ('60 MM/sec', 'speed', None),
        ('62 deg', 'length', None),
        ('15 oz-in', 'torque', None),
        ('mm 68', 'length', None),
        ('62', 'length', None),
        ('', 'length', None),
        (None, 'length', None),
    ],
)
def test_what_may_be_meant_by_what_is_no_quantity(
    written: object, dimension: Dimension, expected: str | None
) -> None:
    """Only another way to write the number or a unit of this dimension is taken for a slip."""
    assert meant(written, dimension) == expected
    if expected is not None:
        parse_quantity(expected, dimension)
