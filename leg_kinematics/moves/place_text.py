# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Places, times and speeds as somebody types them: ``x=40mm,z=-20mm``, ``2 s``, ``60 mm/s``.

They may be as large as in the file of a sequence, whose schema has the bounds.
"""

import json
from functools import cache
from importlib.resources import files
from typing import Any

from leg_kinematics.errors import CommandError
from leg_kinematics.moves.places import Frame, Place
from leg_kinematics.robot.plausible import doubt
from leg_kinematics.robot.units import meant, parse_quantity

AXES = ('x', 'y', 'z')

EXPECTED = 'expected x=, y= or z= with a length, such as x=40mm,z=-20mm'


def read_place(text: str, frame: Frame) -> Place:
    """Read a place.

    Raises
    ------
    CommandError
        It is none; says what was expected.

    """
    given: dict[str, float] = {}
    for part in text.split(','):
        axis, equals, written = part.partition('=')
        axis = axis.strip()
        if not equals or axis not in AXES:
            raise CommandError(f'{text!r} is no place: {EXPECTED}')
        if axis in given:
            raise CommandError(f'{text!r} gives {axis} twice')
        given[axis] = read_quantity(written.strip(), 'coordinate', f'{axis} of {text!r}')
    return Place(frame, **given)


def read_quantity(written: str, kind: str, what: str) -> float:
    """Read a quantity, in SI.

    Parameters
    ----------
    written
        With its unit; a bare number is SI.
    kind
        Name of its definition in the schema.
    what
        It is, for messages.

    Raises
    ------
    CommandError
        It is none, or cannot be meant so.

    """
    rule = _plausible(kind)
    try:
        quantity = parse_quantity(written, rule['dimension'])
    except ValueError as error:
        other = meant(written, rule['dimension'])
        question = f'; did you mean {other}?' if other else ''
        raise CommandError(f'{what}: {error}{question}') from error
    if wrong := doubt(written, rule, bare=True):
        raise CommandError(f'{what}: {wrong}')
    return quantity


@cache
def _plausible(kind: str) -> dict[str, Any]:
    schema = files('leg_kinematics.moves') / 'sequence.schema.json'
    definitions = json.loads(schema.read_text(encoding='utf-8'))['$defs']
    rule: dict[str, Any] = definitions[kind]['plausible']
    return rule
