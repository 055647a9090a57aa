# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whether a quantity can be meant: 55 for a length in metres is a forgotten ``mm``.

The bounds stand in the schemas, at the keyword ``plausible`` of a definition, with their sources
beside them as ``$comment``::

    {'dimension': 'length', 'from': '0.5 mm', 'to': '1 m', 'usual': '60 mm'}

They hold for the magnitude; ``"signed": true`` allows it to be negative. ``usual`` is the size and
the unit to suggest, ``cure`` what to do where no other unit makes sense.
"""

from collections.abc import Callable, Iterator
from math import log
from typing import Any

from leg_kinematics.robot.units import UNITS, Dimension, parse_quantity, shown, split_quantity

#: So much, in relative terms, a bound may be passed: 3.1416 is meant for 180 degrees.
BOUND_TOLERANCE = 1e-5

#: So many times smaller or larger than usual a quantity is suggested in the usual unit.
FAR_FROM_USUAL = 100.0


def doubt(written: object, rule: dict[str, Any], *, bare: bool) -> str | None:
    """Tell why a quantity cannot be meant as it is written.

    Parameters
    ----------
    written
        What stands in the file.
    rule
        Value of the keyword ``plausible``.
    bare
        Whether the unit may be left out.

    Returns
    -------
    str or None
        What is wrong, and where possible what may be meant; None for a plausible quantity, and
        for what is no quantity at all, which is told elsewhere.

    """
    dimension: Dimension = rule['dimension']
    try:
        number, unit = split_quantity(written, dimension)
        quantity = parse_quantity(written, dimension)
    except ValueError:
        return None
    least, most = (abs(parse_quantity(rule[end], dimension)) for end in ('from', 'to'))

    def plausible(magnitude: float) -> bool:
        return least * (1.0 - BOUND_TOLERANCE) <= magnitude <= most * (1.0 + BOUND_TOLERANCE)

    first = next(iter(UNITS[dimension]))
    if unit is None and not bare:
        others = suggestions(number, dimension, rule['usual'], plausible)
        if others and f'{number} {first}' not in others and plausible(abs(quantity)):
            others.append(f'{number} {first}')
        return f'{shown(written)} has no unit{_question(others)}'
    if quantity < 0.0 and 'signed' not in rule:
        return f'{written} is below zero'
    if plausible(abs(quantity)):
        return None
    read = f'{written}, read as {number} {first},' if unit is None else f'{written}'
    others = suggestions(number, dimension, rule['usual'], plausible)
    cure = rule.get('cure', 'check number and unit')
    span = f'{rule["from"]} … {rule["to"]}'
    if 'signed' in rule:
        span = f'-{rule["to"]} … {rule["to"]}' if least == 0.0 else f'{span}, or as much below zero'
    return f'{read} is not within {span}{_question(others) or f": {cure}"}'


def suggestions(
    number: str, dimension: Dimension, usual: str, plausible: Callable[[float], bool]
) -> list[str]:
    """Give the one unit in which a number is plausible, the usual one or else that nearest to it.

    Parameters
    ----------
    number
        As it is written, without a unit.
    dimension
        Of the quantity.
    usual
        A usual quantity.
    plausible
        Whether a magnitude, in SI, can be meant.

    """
    size = abs(parse_quantity(usual, dimension))
    _, unit = split_quantity(usual, dimension)
    found = sorted(
        (abs(log(magnitude / size)) if each != unit else _when_near(magnitude / size), each)
        for each, magnitude in _readings(number, dimension)
        if magnitude > 0.0 and plausible(magnitude)
    )
    return [f'{number} {each}' for _, each in found[:1]]


def _when_near(ratio: float) -> float:
    """Put the usual unit first unless the quantity is far from usual."""
    return -1.0 if 1.0 / FAR_FROM_USUAL <= ratio <= FAR_FROM_USUAL else abs(log(ratio))


def _readings(number: str, dimension: Dimension) -> Iterator[tuple[str, float]]:
    for unit in UNITS[dimension]:
        try:
            yield unit, abs(parse_quantity(f'{number} {unit}', dimension))
        except ValueError:
            # The time of a turn is not zero.
            continue


def _question(others: list[str]) -> str:
    return f': did you mean {" or ".join(others)}?' if others else ''
