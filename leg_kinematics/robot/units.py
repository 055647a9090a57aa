# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Quantities as people write them, such as ``62 mm``, turned into numbers in SI.

A bare number is SI already. Pulses are the one exception inside the package: whatever the unit
they are written in, they come out in microseconds, because that is how the trade counts them.
"""

import math
import re
from fractions import Fraction
from typing import Literal

Dimension = Literal[
    'length',
    'angle',
    'mass',
    'torque',
    'time',
    'speed',
    'angular speed',
    'pulse',
    'pulse gain',
    'current',
    'voltage',
    'charge',
]

STANDARD_GRAVITY = 9.80665
"""m/s², exact by definition (3rd General Conference on Weights and Measures, 1901)."""

_DEGREE = Fraction(math.pi) / 180

# Fractions, so that 104 mm is the same number as 0.104. The first unit of each dimension is the
# one of a bare number.
UNITS: dict[Dimension, dict[str, Fraction]] = {
    'length': {'m': Fraction(1), 'cm': Fraction(1, 100), 'mm': Fraction(1, 1000)},
    'angle': {'rad': Fraction(1), 'deg': _DEGREE},
    'mass': {'kg': Fraction(1), 'g': Fraction(1, 1000)},
    'torque': {
        'N.m': Fraction(1),
        'N.cm': Fraction(1, 100),
        'kgf.cm': Fraction(str(STANDARD_GRAVITY)) / 100,
    },
    'time': {'s': Fraction(1), 'ms': Fraction(1, 1000), 'min': Fraction(60)},
    'speed': {'m/s': Fraction(1), 'cm/s': Fraction(1, 100), 'mm/s': Fraction(1, 1000)},
    'angular speed': {'rad/s': Fraction(1), 'deg/s': _DEGREE, 's/60deg': 60 * _DEGREE},
    'pulse': {'s': Fraction(1_000_000), 'ms': Fraction(1000), 'us': Fraction(1)},
    'pulse gain': {'s/rad': Fraction(1_000_000), 'us/rad': Fraction(1), 'us/deg': 1 / _DEGREE},
    'current': {'A': Fraction(1), 'mA': Fraction(1, 1000)},
    'voltage': {'V': Fraction(1), 'mV': Fraction(1, 1000)},
    'charge': {'Ah': Fraction(3600), 'mAh': Fraction(36, 10)},
}

# Datasheets give the time of a turn, not its speed: here the number divides.
_TIMES_OF_A_TURN = frozenset({'s/60deg'})

_QUANTITY = re.compile(r'([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?)(?:\s*([A-Za-z]\S*))?')

#: A number with a decimal comma or point, and what follows it.
_LOOSE_QUANTITY = re.compile(r'([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*(\D.*|)')

#: How sellers and people write units otherwise, without signs between the letters.
SPELLINGS = {
    'kgcm': 'kgf.cm',
    'degree': 'deg',
    'degrees': 'deg',
    'millimeter': 'mm',
    'millimetre': 'mm',
    'sec60deg': 's/60deg',
    'sec60': 's/60deg',
    's60': 's/60deg',
    'usec': 'us',
    'gram': 'g',
    'sec': 's',
    'second': 's',
    'seconds': 's',
    'msec': 'ms',
    'minutes': 'min',
}

#: Of a value, so many characters are repeated in a message.
LONGEST_SHOWN = 60


def shown(value: object) -> str:
    """Return a value as a message repeats it: not longer than a line."""
    text = repr(value)
    return text if len(text) <= LONGEST_SHOWN else f'{text[:LONGEST_SHOWN]}…'


def split_quantity(value: object, dimension: Dimension) -> tuple[str, str | None]:
    """Take a quantity apart.

    Returns
    -------
    tuple
        The number as it is written, and its unit; None without one.

    Raises
    ------
    ValueError
        When it is not such a quantity; the message says what to write instead.

    """
    units = UNITS[dimension]
    match = None if isinstance(value, bool) else _QUANTITY.fullmatch(str(value).strip())
    if match is None or (match[2] or next(iter(units))) not in units:
        raise ValueError(
            f'{shown(value)} is not a quantity of {dimension}: expected a number and one of the '
            f'units {", ".join(units)}; a bare number is in {next(iter(units))}'
        )
    return match[1], match[2]


def meant(written: object, dimension: Dimension) -> str | None:
    """Guess the quantity behind one that is not written as it should be.

    Decimal commas, the sign of degrees, units in other letters or with other signs between them.

    Returns
    -------
    str or None
        A quantity to write instead; None when nothing is near.

    """
    match = _LOOSE_QUANTITY.fullmatch(str(written).strip())
    if match is None:
        return None
    number, unit = match[1].replace(',', '.'), _letters(match[2].replace('°', 'deg'))
    if not unit:
        return number if ',' in match[1] else None
    spellings = {_letters(each): each for each in UNITS[dimension]} | {
        spelling: each for spelling, each in SPELLINGS.items() if each in UNITS[dimension]
    }
    return f'{number} {spellings[unit]}' if unit in spellings else None


def _letters(unit: str) -> str:
    """Leave of a unit what all ways to write it have in common."""
    return re.sub(r'[^a-z0-9]', '', unit.lower().replace('µ', 'u').replace('μ', 'u'))


def parse_quantity(value: object, dimension: Dimension) -> float:
    """Turn a number, or a text with a unit, into SI (pulses: into microseconds).

    Parameters
    ----------
    value
        A bare number, in SI, or a text such as ``35 deg`` or ``0.10 s/60deg``. A text without a
        unit counts as a bare number: YAML reads ``1e-3`` as a text.
    dimension
        What is expected.

    Returns
    -------
    float
        In m, rad, kg, N·m, s, m/s, rad/s, A, V or C; a pulse in µs and a pulse gain in µs/rad.

    Raises
    ------
    ValueError
        When it is not such a quantity or not finite; the message says what to write instead.

    """
    written, unit = split_quantity(value, dimension)
    units, number = UNITS[dimension], Fraction(written)
    unit = unit or next(iter(units))
    if unit in _TIMES_OF_A_TURN:
        if number <= 0:
            raise ValueError(f'{shown(value)} is no speed: the time of a turn must be above zero')
        quantity = units[unit] / number
    else:
        quantity = number * units[unit]
    try:
        return float(quantity)
    except OverflowError as error:
        raise ValueError(f'{shown(value)} is too large for a finite number') from error
