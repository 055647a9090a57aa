# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The published schemas agree with the code that reads the files."""

import json
import re
from importlib.resources import files
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from leg_kinematics.robot import parse_quantity
from leg_kinematics.robot.units import UNITS

SCHEMAS = {
    path.name: json.loads(path.read_text(encoding='utf-8'))
    for path in (
        files('leg_kinematics.robot') / 'robot.schema.json',
        files('leg_kinematics.calibration') / 'servo_maps.schema.json',
        files('leg_kinematics.moves') / 'sequence.schema.json',
        files('leg_kinematics.teleop') / 'layout.schema.json',
    )
}
QUANTITIES = [
    pytest.param(definition, id=f'{name}-{key}')
    for name, schema in SCHEMAS.items()
    for key, definition in schema['$defs'].items()
    if definition.get('title') in UNITS
]


@pytest.mark.parametrize('name', SCHEMAS)
def test_schema_is_valid_and_named(name: str) -> None:
    """A schema fits the meta-schema of its draft and has an identifier of its own."""
    Draft202012Validator.check_schema(SCHEMAS[name])
    assert SCHEMAS[name]['$id'].startswith('urn:leg-kinematics:')


@pytest.mark.parametrize('definition', QUANTITIES)
def test_pattern_allows_exactly_the_units_that_are_read(definition: dict[str, Any]) -> None:
    """The pattern of a quantity knows every unit of its own dimension and none of another."""
    own = UNITS[definition['title']]
    for unit in {unit for units in UNITS.values() for unit in units}:
        matches = re.search(definition['pattern'], f'1.5 {unit}') is not None
        assert matches == (unit in own), unit


@pytest.mark.parametrize('definition', QUANTITIES)
def test_examples_are_quantities(definition: dict[str, Any]) -> None:
    """What the schema shows as an example fits it and can be read."""
    assert definition['examples']
    for example in definition['examples']:
        Draft202012Validator(definition).validate(example)
        parse_quantity(example, definition['title'])


@pytest.mark.parametrize(
    ('one', 'other', 'shared'),
    [
        ('robot', 'servo_maps', {'angle', 'joint_angle', 'name', 'pulse', 'pulse_width'}),
        ('robot', 'sequence', {'angle', 'coordinate', 'length', 'name'}),
        ('servo_maps', 'sequence', {'angle', 'name'}),
    ],
)
def test_shared_definitions_are_the_same(one: str, other: str, shared: set[str]) -> None:
    """A definition that stands in two schemas is written alike in both."""
    first, second = (SCHEMAS[f'{each}.schema.json']['$defs'] for each in (one, other))
    assert first.keys() & second.keys() == shared
    assert all(first[key] == second[key] for key in shared)
