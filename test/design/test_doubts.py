# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Slips that are no errors are told by `check` with place, cause and cure, and nothing else is."""

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.commands.main import main
from leg_kinematics.design.doubts import find_doubts
from leg_kinematics.robot import load_robot

CONFIG = Path(__file__).parents[2] / 'config'
BRACKEN = CONFIG / 'robots' / 'bracken.yaml'
MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'
ROBOTS = Path(__file__).parents[1] / 'solver' / 'kinematics' / 'robots'

FEMUR = """\
    length: 68 mm
    mass: 85 g
    radius: 14 mm
    limits: [-60 deg, 95 deg]
"""
TIBIA = """\
    length: 104 mm
    mass: 40 g
    centre_of_mass: 40 mm           # the knee end is the heavier one
    radius: 8 mm
    limits: [-150 deg, -5 deg]
"""
TABLE = """\
      - [-155 deg, 601 us]
      - [-130 deg, 889 us]
      - [-100 deg, 1221 us]
      - [-75 deg, 1492 us]
      - [-45 deg, 1816 us]
      - [-20 deg, 2093 us]
      - [5 deg, 2381 us]
"""


def with_changes(source: Path, folder: Path, changes: dict[str, str]) -> Path:
    """Copy a file with texts replaced by others, all at once."""
    text = source.read_text(encoding='utf-8')
    for old in changes:
        assert text.count(old) >= 1, old
    pattern = '|'.join(map(re.escape, changes))
    copy = folder / f'{source.parent.name}.yaml'
    copy.write_text(re.sub(pattern, lambda match: changes[match[0]], text), encoding='utf-8')
    return copy


def joint(name: str, **values: str) -> dict[str, str]:
    """Replace values of a joint's servo map."""
    block = MAPS.read_text(encoding='utf-8').split(f'  {name}:\n')[1].split('\n  ' + name[0])[0]
    block = f'  {name}:\n' + '\n'.join(block.splitlines()[:7]) + '\n'
    changed = block
    for key, value in values.items():
        changed, count = re.subn(rf'( {key}: ).*', rf'\g<1>{value}', changed)
        assert count == 1
    return {block: changed}


@pytest.mark.parametrize('file', [BRACKEN, ROBOTS / 'sorrel.yaml', ROBOTS / 'tansy.yaml'])
def test_a_sound_robot_raises_no_doubt(file: Path) -> None:
    """Six, four and eight legs, on mounts that roll, pitch and yaw, and the maps of one."""
    robot = load_robot(file)
    maps = load_servo_maps(MAPS, robot) if file == BRACKEN else None
    assert find_doubts(robot, maps) == ()


def test_legs_that_swing_beside_the_body_may_point_anywhere(tmp_path: Path) -> None:
    """With coxa axes along the body, all legs pointing forward are no doubt."""
    text = BRACKEN.read_text(encoding='utf-8')
    text = re.sub(r'rpy: \[0 deg, 0 deg, [0-9]+ deg\]', 'rpy: [90 deg, 0 deg, 0 deg]', text)
    text = re.sub(r'rpy: \[0 deg, 0 deg, -[0-9]+ deg\]', 'rpy: [-90 deg, 0 deg, 0 deg]', text)
    file = tmp_path / 'robot.yaml'
    file.write_text(text, encoding='utf-8')
    assert not [each for each in find_doubts(load_robot(file), None) if 'points' in each.seen]


@pytest.mark.parametrize(
    ('changes', 'place', 'seen', 'cure'),
    [
        pytest.param(
            {'[0 mm, 85 mm, 0 mm], rpy: [0 deg, 0 deg, 90':
             '[0 mm, -85 mm, 0 mm], rpy: [0 deg, 0 deg, -90'},
            'legs.left_middle.mount', 'left_middle is by its name left, but fastened on the opp',
            'look at the sign of y, or rename', id='whole leg on the wrong side'),
        pytest.param(
            {'[115 mm, -60 mm, 0 mm]': '[115 mm, 60 mm, 0 mm]'},
            'legs.right_front.mount', 'right_front is by its name right', 'the sign of y',
            id='sign of y forgotten'),
        pytest.param(
            {'[-115 mm, -60 mm, 0 mm]': '[115 mm, -60 mm, 0 mm]'},
            'legs.right_rear.mount', 'right_rear is by its name rear', 'the sign of x',
            id='sign of x forgotten'),
        pytest.param(
            {'0 deg, 90 deg]': '0 deg, -90 deg]'},
            'legs.left_middle.mount', 'left_middle points to -90 deg, from its mount into the body',
            'look at its sign, or add 180 deg', id='points inwards'),
        pytest.param(
            {'0 deg, 140 deg]': '0 deg, -40 deg]'},
            'legs.left_rear.mount', 'left_rear points to -40 deg, from its mount into the body',
            'add 180 deg', id='turned by half a turn'),
        pytest.param(
            {'0 deg, -40 deg]': '0 deg, 40 deg]'},
            'legs.right_front.mount',
            'right_front points to 40 deg, its mirror image left_front to 40 deg',
            'opposite roll and yaw', id='sign of yaw forgotten'),
        pytest.param(
            {'[115 mm, -60 mm, 0 mm]': '[115 mm, 60 mm, 0 mm]', 'left_front': 'fore',
             'right_front': 'other'},
            'legs.other.mount', 'fore and other are fastened in the same place',
            'sign of its y is missing', id='two legs in one place'),
        pytest.param(
            {FEMUR: TIBIA, TIBIA: FEMUR}, 'links.femur',
            'left_front cannot stand as the posture asks, but could with femur and tibia exchanged',
            'the link between coxa and knee', id='femur and tibia exchanged'),
        pytest.param(
            {'length: 68 mm': 'length: 104 mm', 'length: 104 mm': 'length: 68 mm'},
            'links.tibia.length', 'the tibia, 68 mm, is shorter than the femur, 104 mm',
            'exchange their lengths', id='lengths exchanged'),
        pytest.param(
            {'[-60 deg, 95 deg]': '[-150 deg, -5 deg]', '[-150 deg, -5 deg]': '[-60 deg, 95 deg]'},
            'links.femur', 'could with the limits of femur and tibia exchanged',
            'exchange the limits', id='limits exchanged'),
        pytest.param(
            {'[-60 deg, 95 deg]': '[-60 deg, 2]'}, 'links.femur.limits[1]',
            '2 without a unit is 2 rad, 115 deg', 'write 2 deg, or 2 rad', id='bare limit'),
        pytest.param(
            {'0 deg, -140 deg]': '0 deg, 4]'}, 'legs.right_rear.mount.rpy[2]',
            '4 without a unit is 4 rad, 229 deg', 'write 4 deg', id='bare yaw'),
    ],
)  # fmt: skip
def test_a_slip_in_the_description_is_told(
    tmp_path: Path, changes: dict[str, str], place: str, seen: str, cure: str
) -> None:
    """One doubt, at its line, that says what is seen and what to write."""
    file = with_changes(BRACKEN, tmp_path, changes)
    (doubt,) = find_doubts(load_robot(file), None)
    told = re.fullmatch(rf'{re.escape(str(file))}:(\d+): (\S+): (.*)', doubt.seen)
    assert told is not None
    assert told[2] == place
    line = file.read_text(encoding='utf-8').splitlines()[int(told[1]) - 1]
    assert re.split(r'[.[]', place)[-1 if '[' not in place else -2] in line
    assert seen in told[3]
    assert cure in doubt.cure


@pytest.mark.parametrize(
    ('changes', 'place', 'seen', 'cure'),
    [
        pytest.param(
            joint('left_middle_femur', gain='-636.62 us/rad'), 'joints.left_middle_femur',
            'left_middle_femur turns the other way than left_front_femur, left_rear_femur, '
            'right_front_femur, right_middle_femur, right_rear_femur let expect',
            'change the sign of gain', id='sign of a femur'),
        pytest.param(
            joint('right_rear_femur', gain='636.62 us/rad'), 'joints.right_rear_femur',
            'right_rear_femur turns the other way than', 'raises the foot at femur',
            id='sign of a femur on the right'),
        pytest.param(
            joint('left_front_coxa', gain='-636.62 us/rad'), 'joints.left_front_coxa',
            'one of left_front_coxa and right_front_coxa turns the other way than '
            'left_middle_coxa', 'turns a coxa to the left', id='sign of a coxa'),
        pytest.param(
            {TABLE: re.sub('(-?[0-9]+) deg', lambda match: f'{-150 - int(match[1])} deg', TABLE)},
            'joints.right_rear_tibia', 'right_rear_tibia turns the other way than', 'in a table',
            id='sign of a table'),
        pytest.param(
            joint('left_front_femur', horn_offset='-162 deg'), 'joints.left_front_femur',
            'from -242 to -80 deg, its limits are -60 and 95 deg: as if the horn sat half a turn',
            'horn_offset is about 18 deg', id='horn half a turn off'),
        pytest.param(
            joint('right_front_tibia', horn_offset='104 deg'), 'joints.right_front_tibia',
            'as if the horn sat half a turn off', 'horn_offset is about -76 deg',
            id='horn of a tibia half a turn off'),
        pytest.param(
            joint('left_middle_coxa', horn_offset='1.5'), 'joints.left_middle_coxa',
            'as if the horn sat 85 deg off', 'horn_offset is about 1 deg', id='bare horn offset'),
        pytest.param(
            {TABLE: re.sub('(-?[0-9]+) deg', lambda match: f'{int(match[1]) + 175} deg', TABLE)},
            'joints.right_rear_tibia', 'as if the horn sat half a turn off',
            'add -180 deg to the angles of the table', id='table half a turn off'),
        pytest.param(
            joint('left_middle_femur', channel='18'), 'joints.left_middle_femur.channel',
            "channel 18 of board 'main': our own servo board has 18 channels, 0 to 17",
            'take a free channel (4) or a second board', id='channel that the board lacks'),
    ],
)  # fmt: skip
def test_a_slip_in_the_servo_maps_is_told(
    tmp_path: Path, changes: dict[str, str], place: str, seen: str, cure: str
) -> None:
    """One doubt, at its line, that says what is seen and what to write."""
    file = with_changes(MAPS, tmp_path, changes)
    robot = load_robot(BRACKEN)
    (doubt,) = find_doubts(robot, load_servo_maps(file, robot))
    told = re.fullmatch(rf'{re.escape(str(file))}:(\d+): (\S+): (.*)', doubt.seen)
    assert told is not None
    assert told[2] == place
    line = file.read_text(encoding='utf-8').splitlines()[int(told[1]) - 1]
    assert line.strip().startswith(place.rsplit('.', maxsplit=1)[-1])
    assert seen in told[3]
    assert cure in doubt.cure


def test_two_pairs_cannot_tell_front_from_rear(tmp_path: Path) -> None:
    """Of four legs the side is told whose femur servos differ, with both joints."""
    middle = re.compile(r'  (left|right)_middle.*\n(    .*\n)+')
    robot_file, maps_file = tmp_path / 'robot.yaml', tmp_path / 'maps.yaml'
    robot_file.write_text(middle.sub('', BRACKEN.read_text(encoding='utf-8')), encoding='utf-8')
    text = with_changes(MAPS, tmp_path, joint('right_rear_femur', gain='636.62 us/rad'))
    maps_file.write_text(middle.sub('', text.read_text(encoding='utf-8')), encoding='utf-8')
    robot = load_robot(robot_file)
    (doubt,) = find_doubts(robot, load_servo_maps(maps_file, robot))
    assert (
        'one of right_front_femur and right_rear_femur turns the other way than left_front_femur, '
        'left_rear_femur let expect'
    ) in doubt.seen


def test_command_tells_doubts_and_fails_nothing_for_them(tmp_path: Path) -> None:
    """A doubt is printed with its cure and given to scripts; the exit code is that of the lines."""
    maps = with_changes(MAPS, tmp_path, joint('left_middle_femur', channel='18'))
    arguments = ['check', str(BRACKEN), '--servo-maps', str(maps), '--output', str(tmp_path)]
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 0
    place = f'{maps}:{maps.read_text(encoding="utf-8").split("channel: 18")[0].count(chr(10)) + 1}'
    told = ' '.join(result.stdout.split())  # folded at any width
    assert f'doubt {place}: joints.left_middle_femur.channel: channel 18' in told
    assert 'Cure: on our board take a free channel (4)' in told
    result = CliRunner().invoke(main, [*arguments, '--json'])
    (doubt,) = json.loads(result.stdout)['doubts']
    assert doubt['seen'].startswith(place)
    assert doubt['cure'].startswith('on our board')
