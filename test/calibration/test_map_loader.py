# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A servo map file becomes servo maps, or an error that names file, line and place."""

import math
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from leg_kinematics.calibration import LinearCurve, TableCurve, load_servo_maps
from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot import Robot


def test_maps_of_bracken_are_what_the_file_says(maps_file: Path, bracken: Robot) -> None:
    """The maps that ship with the package cover every joint, in the order of the robot."""
    maps = load_servo_maps(maps_file, bracken)
    assert tuple(servo_map.joint for servo_map in maps.maps) == bracken.joints
    assert maps.boards == ('main',)
    assert [servo_map.channel for servo_map in maps.maps] == list(range(18))
    femur = maps.by_joint['right_front_femur']
    assert femur.curve == LinearCurve(1491.0, -636.62, math.radians(18.5))
    assert (femur.lowest_us, femur.highest_us) == (600.0, 2400.0)
    tibia = maps.by_joint['right_rear_tibia'].curve
    assert isinstance(tibia, TableCurve)
    assert tibia.pulse_us(math.radians(-87.5)) == pytest.approx((1221.0 + 1492.0) / 2.0)


def test_maps_of_bracken_express_its_joint_limits(maps_file: Path, bracken: Robot) -> None:
    """Every angle that a joint may take has a pulse."""
    maps = load_servo_maps(maps_file, bracken)
    links = [link for leg in bracken.legs for link in leg.links]
    for servo_map, link in zip(maps.maps, links, strict=True):
        low, high = servo_map.angle_range
        assert low <= link.lower < link.upper <= high, servo_map.joint


def test_joints_may_stand_in_any_order(maps_file: Path, bracken: Robot, tmp_path: Path) -> None:
    """The order in the file does not matter, the maps follow the robot."""
    head, joints = maps_file.read_text(encoding='utf-8').split('joints:\n')
    blocks = joints.split('  left_middle_coxa:\n')
    file = tmp_path / 'maps.yaml'
    file.write_text(f'{head}joints:\n  left_middle_coxa:\n{blocks[1]}{blocks[0]}', encoding='utf-8')
    assert load_servo_maps(file, bracken).maps == load_servo_maps(maps_file, bracken).maps


def test_two_boards_may_use_the_same_channel(
    edited_maps: Callable[[str, str], Path], bracken: Robot
) -> None:
    """A channel belongs to its board: another board has a channel of the same number."""
    file = edited_maps('board: main\n    channel: 3\n', 'board: rear\n    channel: 0\n')
    assert load_servo_maps(file, bracken).boards == ('main', 'rear')


@pytest.mark.parametrize(
    ('old', 'new', 'blamed', 'path', 'message'),
    [
        ('robot: bracken', 'robot: nettle', 'nettle', 'robot',
         "these maps are of 'nettle', the robot is 'bracken'"),
        ('robot: bracken', 'robot: [bracken', 'measured:', '', 'not valid YAML'),
        ('when: 2026-11-25', 'when: lately', 'lately', 'measured.when', 'For example: 2025-01-31'),
        ('left_middle_coxa', 'middle_left_coxa', 'middle_left_coxa', 'joints.middle_left_coxa',
         "bracken has no joint 'middle_left_coxa': take this entry out"),
        ('left_middle_coxa', 'left_middle_hip', 'left_middle_hip', 'joints.left_middle_hip',
         'right_rear, and a joint is a leg with _coxa, _femur, _tibia'),
        ('horn_offset: 1.5 deg', 'horn_offset: 15', 'horn_offset: 15',
         'joints.left_middle_coxa.horn_offset', 'did you mean 15 deg'),
        ('left_front_femur:', 'left_front_coxa:', '  left_front_coxa:', 'joints.left_front_coxa',
         'stands here again, first on line 20'),
        ('channel: 4', 'channel: 2', 'left_middle_femur', 'joints.left_middle_femur.channel',
         r"channel 2 of board 'main' belongs to 'left_front_tibia' already \(line 38\)"),
        ('channel: 4', 'channel: 32', 'channel: 32', 'joints.left_middle_femur.channel',
         '0 to 31'),
        ('channel: 4', 'channel: 4.5', 'channel: 4.5', 'joints.left_middle_femur.channel',
         '0 to 31'),
        ('channel: 4', 'pin: 4', 'pin: 4', 'joints.left_middle_femur.pin',
         "unknown key 'pin'; expected one of: board, channel, lowest"),
        ('    centre: 1508 us\n', '', 'left_front_coxa:', 'joints.left_front_coxa',
         'missing here: centre'),
        ('centre: 1508 us', 'centre: 1508 deg', '1508 deg', 'joints.left_front_coxa.centre',
         'a pulse width in us'),
        ('centre: 1508 us', 'centre: 1508', '1508', 'joints.left_front_coxa.centre',
         'did you mean 1508 us'),
        ('gain: 636.62 us/rad', 'gain: 0 us/rad', 'gain: 0', 'joints.left_front_coxa.gain',
         'not within 20 us/rad'),
        ('gain: 636.62 us/rad', 'gain: .inf', 'gain: .inf', 'joints.left_front_coxa.gain',
         'pulse per joint angle'),
        ('lowest: 600 us', 'lowest: 2400 us', 'lowest: 2400', 'joints.left_front_coxa.lowest',
         'the lowest pulse, 2400 µs, must be below the highest, 2400 µs'),
        ('lowest: 600 us', 'lowest: 400 us', 'lowest: 400', 'joints.left_front_coxa.lowest',
         "400 µs is beyond the 500 … 2500 µs that servo 'standard' answers to"),
        ('highest: 2400 us', 'highest: 2600 us', 'highest: 2600',
         'joints.left_front_coxa.highest', '2600 µs is beyond'),
        ('[-75 deg, 1492 us]', '[-75 deg, 1200 us]', 'table:', 'joints.right_rear_tibia.table',
         'the pulses must all rise or all fall'),
        ('[-75 deg, 1492 us]', '[-101 deg, 1492 us]', 'table:', 'joints.right_rear_tibia.table',
         'the angles must all rise or all fall'),
        ('[-75 deg, 1492 us]', '[-75 deg]', '[-75 deg]', 'joints.right_rear_tibia.table[3]',
         'a list of 2: joint angle and pulse'),
        ('[-75 deg, 1492 us]', '[-75 us, 1492 us]', '-75 us',
         'joints.right_rear_tibia.table[3][0]', 'an angle in deg or rad'),
        ('    table:\n', '    gain: 1 us/rad\n    table:\n', 'gain: 1 us',
         'joints.right_rear_tibia.gain', "unknown key 'gain'"),
    ],
)  # fmt: skip
def test_wrong_maps_are_refused_with_their_place(  # noqa: PLR0917 - a table
    edited_maps: Callable[[str, str], Path],
    bracken: Robot,
    old: str,
    new: str,
    blamed: str,
    path: str,
    message: str,
) -> None:
    """Every mistake is an error with file, line, place and what was expected."""
    file = edited_maps(old, new)
    lines = file.read_text(encoding='utf-8').splitlines()
    numbers = [number for number, text in enumerate(lines, start=1) if blamed in text]
    line = numbers[-1]
    if blamed == 'left_middle_femur':
        line += 2  # the channel stands below the joint that marks it
    with pytest.raises(DescriptionError, match=message) as caught:
        load_servo_maps(file, bracken)
    place = f'{file}:{line}: {path}: ' if path else f'{file}:{line}: '
    assert str(caught.value).startswith(place)


def test_missing_joint_is_named(maps_file: Path, bracken: Robot, tmp_path: Path) -> None:
    """A joint without a map is named, at the line of the joints."""
    text = maps_file.read_text(encoding='utf-8')
    file = tmp_path / 'maps.yaml'
    file.write_text(text[: text.index('  right_rear_tibia:')], encoding='utf-8')
    line = text[: text.index('joints:')].count('\n') + 1
    with pytest.raises(DescriptionError, match='missing here: right_rear_tibia') as caught:
        load_servo_maps(file, bracken)
    assert str(caught.value).startswith(f'{file}:{line}: joints: ')


def without_legs(maps_file: Path, folder: Path, names: list[str]) -> Path:
    """Copy the maps with some legs listed as not wired, and no maps of theirs."""
    head, _, joints = maps_file.read_text(encoding='utf-8').partition('joints:\n')
    # A joint begins with two blanks, what is said of it with four.
    kept = [each for each in re.split(r'\n(?=  \w)', joints) if not mentions(each, names)]
    file = folder / 'maps.yaml'
    listed = f'not_wired: [{", ".join(names)}]'
    file.write_text('\n'.join([f'{head}{listed}', 'joints:', *kept, '']), encoding='utf-8')
    return file


def mentions(block: str, names: list[str]) -> bool:
    """Whether the map of a joint is that of one of these legs."""
    return block.strip().partition(':')[0].rpartition('_')[0] in names


def test_legs_may_be_not_wired(maps_file: Path, bracken: Robot, tmp_path: Path) -> None:
    """They have no maps, are told in the order of the robot, and the rest is as ever."""
    file = without_legs(maps_file, tmp_path, ['right_rear', 'left_middle'])
    maps, whole = load_servo_maps(file, bracken), load_servo_maps(maps_file, bracken)
    assert maps.not_wired == ('left_middle', 'right_rear')
    assert maps.not_wired_in_words == 'left_middle, right_rear are not wired'
    assert maps.wired(bracken).leg_names == (
        'left_front', 'left_rear', 'right_front', 'right_middle'
    )  # fmt: skip
    assert maps.maps == tuple(
        each for each in whole.maps if not each.joint.startswith(maps.not_wired)
    )
    assert (whole.not_wired, whole.not_wired_in_words) == ((), '')
    assert whole.wired(bracken) == bracken


def test_one_leg_at_least_is_wired(maps_file: Path, bracken: Robot, tmp_path: Path) -> None:
    """A list of all legs leaves nothing to drive, which is said at the line of the list."""
    file = without_legs(maps_file, tmp_path, list(bracken.leg_names))
    file.write_text(file.read_text(encoding='utf-8').replace('joints:', 'joints: {}'))
    line = file.read_text(encoding='utf-8').split('not_wired')[0].count('\n') + 1
    with pytest.raises(DescriptionError, match='every leg is listed') as caught:
        load_servo_maps(file, bracken)
    assert str(caught.value).startswith(f'{file}:{line}: not_wired: ')


def test_table_outside_the_bounds_is_refused(
    edited_maps: Callable[[str, str], Path], bracken: Robot
) -> None:
    """A joint whose table lies outside its own pulse bounds could not move, which is said."""
    rows = 'table:\n      - [0 deg, 400 us]\n      - [90 deg, 550 us]\n    unused:'
    file = edited_maps('table:', rows)
    text = file.read_text(encoding='utf-8')
    file.write_text(text[: text.index('    unused:')], encoding='utf-8')
    with pytest.raises(DescriptionError, match=r'tibia\.table: .*could not move'):
        load_servo_maps(file, bracken)
