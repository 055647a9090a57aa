# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A forgotten unit is told with the line and what may be meant; no sensible robot is refused."""

import json
import re
from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot import load_robot, parse_quantity
from leg_kinematics.robot.units import UNITS

SCHEMAS = {
    path.name: json.loads(path.read_text(encoding='utf-8'))
    for path in (
        files('leg_kinematics.robot') / 'robot.schema.json',
        files('leg_kinematics.calibration') / 'servo_maps.schema.json',
        files('leg_kinematics.moves') / 'sequence.schema.json',
    )
}


@pytest.mark.parametrize(
    ('old', 'new', 'path', 'meant'),
    [
        ('length: 68 mm', 'length: 68', 'links.femur.length', '68 mm'),
        ('length: 68 mm', 'length: 68 m', 'links.femur.length', '68 mm'),
        ('length: 68 mm', 'length: "68"', 'links.femur.length', '68 mm'),
        ('length: 68 mm', 'length: 6.8', 'links.femur.length', '6.8 mm'),
        ('length: 68 mm', 'length: 0.068 mm', 'links.femur.length', '0.068 m'),
        ('length: 32 mm', 'length: 32', 'links.coxa.length', '32 mm'),
        ('radius: 8 mm', 'radius: 8', 'links.tibia.radius', '8 mm'),
        ('centre_of_mass: 40 mm', 'centre_of_mass: 40', 'links.tibia.centre_of_mass', '40 mm'),
        ('[260 mm, 130 mm, 50 mm]', '[260, 130, 50]', 'body.size[0]', '260 mm'),
        ('[260 mm, 130 mm, 50 mm]', '[260 mm, 130 mm, 50]', 'body.size[2]', '50 mm'),
        ('[0 mm, 0 mm, 0 mm]', '[-20, 0, 0]', 'body.centre_of_mass[0]', '-20 mm'),
        ('[115 mm, 60 mm, 0 mm]', '[115, 60, 0]', 'legs.left_front.mount.position[0]', '115 mm'),
        ('height: 85 mm', 'height: 85', 'standing.height', '85 mm'),
        ('reach: 125 mm', 'reach: 125', 'resting.reach', '125 mm'),
        ('mass: 85 g', 'mass: 85', 'links.femur.mass', '85 g'),
        ('mass: 85 g', 'mass: 8', 'links.femur.mass', '8 g'),
        ('mass: 85 g', 'mass: 0.085 g', 'links.femur.mass', '0.085 kg'),
        ('mass: 0.88 kg', 'mass: 880', 'body.mass', '880 g'),
        ('mass: 0.88 kg', 'mass: 0.88 g', 'body.mass', '0.88 kg'),
        ('15 kgf.cm', '15', 'servos.standard.stall_torque', '15 kgf.cm or 15 N.m'),
        ('15 kgf.cm', '1.8', 'servos.standard.stall_torque', '1.8 kgf.cm or 1.8 N.m'),
        ('15 kgf.cm', '1e6 kgf.cm', 'servos.standard.stall_torque', ''),
        ('15 kgf.cm', '1500 N.m', 'servos.standard.stall_torque', '1500 N.cm'),
        ('5000 mAh', '5000', 'battery.capacity', '5000 mAh'),
        ('5000 mAh', '5000 Ah', 'battery.capacity', '5000 mAh'),
        ('7.4 V', '7400', 'battery.voltage', '7400 mV'),
        ('2.5 A', '2500', 'servos.standard.stall_current', '2500 mA'),
        ('0.16 s/60deg', '0.16', 'servos.standard.speed', '0.16 s/60deg'),
        ('0.16 s/60deg', '6.5', 'servos.standard.speed', '6.5 rad/s'),
        ('0.16 s/60deg', '0.16 rad/s', 'servos.standard.speed', '0.16 s/60deg'),
        ('0.16 s/60deg', '375 rad/s', 'servos.standard.speed', '375 deg/s'),
        ('dead_band: 4 us', 'dead_band: 4', 'servos.standard.dead_band', '4 us'),
        ('dead_band: 4 us', 'dead_band: 4 ms', 'servos.standard.dead_band', '4 us'),
        ('dead_band: 4 us', 'dead_band: 0.004', 'servos.standard.dead_band', '0.004 ms'),
        ('[500 us, 2500 us]', '[500, 2500]', 'servos.standard.pulse[0]', '500 us'),
        ('[500 us, 2500 us]', '[0.5, 2.5]', 'servos.standard.pulse[0]', '0.5 ms'),
        ('[-60 deg, 95 deg]', '[-60, 95]', 'links.femur.limits[0]', '-60 deg'),
        ('[-60 deg, 95 deg]', '[-60 deg, 4]', 'links.femur.limits[1]', '4 deg'),
        ('[-60 deg, 95 deg]', '[-60 rad, 95 rad]', 'links.femur.limits[0]', '-60 deg'),
        ('[-60 deg, 95 deg]', '[-60 deg, 195 deg]', 'links.femur.limits[1]', ''),
        ('0 deg, 140 deg]', '0 deg, 140]', 'legs.left_rear.mount.rpy[2]', '140 deg'),
    ],
)  # fmt: skip
def test_a_quantity_that_cannot_be_meant_is_told_with_what_may_be(
    edited: Callable[[str, str], Path], old: str, new: str, path: str, meant: str
) -> None:
    """File, line, place, the value as written and read, and the same number with a unit."""
    file = edited(old, new)
    with pytest.raises(DescriptionError) as caught:
        load_robot(file)
    error = caught.value
    assert error.path == path
    assert error.line is not None
    named = file.read_text(encoding='utf-8').splitlines()[error.line - 1]
    assert new in named
    question = re.search(r'did you mean (.*)\?$', str(error))
    assert (question[1] if question else '') == meant, error


@pytest.mark.parametrize('written', ['-3.1416', '180 deg', '-180 deg', '3.14159265'])
def test_half_a_turn_is_a_limit(edited: Callable[[str, str], Path], written: str) -> None:
    """Half a turn, exactly or rounded up, is within the bounds of a joint angle."""
    low, high = sorted((written, '10 deg'), key=lambda each: parse_quantity(each, 'angle'))
    load_robot(edited('[-60 deg, 95 deg]', f'[{low}, {high}]'))


@pytest.mark.parametrize('times', [0.12, 0.3, 1.0, 2.0, 4.7])
def test_no_sensible_size_is_refused(bracken_file: Path, tmp_path: Path, times: float) -> None:
    """Bracken, 0.4 m from foot to foot, as a toy of 5 cm up to a machine of 2 m."""

    def scaled(match: re.Match[str]) -> str:
        number, unit = float(match[1]), match[2]
        power = {'mm': 1, 'kg': 3, 'g': 3, 'kgf.cm': 4}[unit]
        if unit == 'kgf.cm':
            # No servo is as weak as the toy needs it.
            return f'{max(number * times**power, 0.05):.6g} {unit}'
        return f'{number * times**power:.6g} {unit}'

    text = bracken_file.read_text(encoding='utf-8')
    file = tmp_path / 'scaled.yaml'
    file.write_text(re.sub(r'(-?[0-9.]+) (mm|kgf\.cm|kg|g)\b', scaled, text), encoding='utf-8')
    robot = load_robot(file)
    assert robot.legs[0].femur.length == pytest.approx(0.068 * times)
    assert robot.mass == pytest.approx(2.08 * times**3)


def quantities(schema: object, path: str) -> Iterator[tuple[str, dict[str, Any]]]:
    """Give every use of a definition in a schema, outside of the wrappers with bounds."""
    if isinstance(schema, list):
        for index, each in enumerate(schema):
            yield from quantities(each, f'{path}[{index}]')
    if isinstance(schema, dict):
        if '$ref' in schema and 'plausible' not in schema:
            yield path, schema
        for key, each in schema.items():
            yield from quantities(each, f'{path}.{key}')


@pytest.mark.parametrize('name', SCHEMAS)
def test_every_quantity_has_bounds_and_their_source(name: str) -> None:
    """Nothing refers to a quantity without bounds, and what has bounds says where from."""
    definitions = SCHEMAS[name]['$defs']
    used = list(quantities(SCHEMAS[name], ''))
    assert len(used) > 10
    for path, schema in used:
        definition = definitions[schema['$ref'].removeprefix('#/$defs/')]
        assert definition.get('title') not in UNITS or 'plausible' in definition, path
    bounded = [each for each in definitions.values() if 'plausible' in each]
    assert len(bounded) >= 3
    for definition in bounded:
        rule = definition['plausible']
        least, usual, most = (
            parse_quantity(rule[key], rule['dimension']) for key in ('from', 'usual', 'to')
        )
        assert min(least, most) < usual < max(least, most)
        assert definition['$comment']
