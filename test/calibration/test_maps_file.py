# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Measured maps go into the file of a robot, and what a person wrote there stays."""

import itertools
import os
from dataclasses import replace
from math import radians
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leg_kinematics.calibration import (
    LinearCurve,
    Measured,
    ServoMap,
    TableCurve,
    load_servo_maps,
)
from leg_kinematics.calibration.loader import joint_maps_of
from leg_kinematics.calibration.maps_file import open_maps, with_servo_maps
from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot import Robot

TODAY = '2026-11-30'
MEASURED = Measured(TODAY, 'with a protractor; 14 readings a joint: 18 joints')

LINE = LinearCurve(1496.0, -612.34, radians(-3.21))
TABLE = TableCurve((radians(60.0), radians(1.25), radians(-61.5)), (812.5, 1500.0, 2290.0))


def coxa(curve: LinearCurve | TableCurve) -> ServoMap:
    """Return a map of the first joint of bracken."""
    return ServoMap('left_front_coxa', 'main', 0, curve, 711.2, 2300.9)


def maps_of(robot: Robot, legs: int) -> list[ServoMap]:
    """Return maps of the first legs of a robot, on channels from 0."""
    joints = [joint for leg in robot.legs[:legs] for joint in leg.joints]
    return [replace(coxa(LINE), joint=joint, channel=place) for place, joint in enumerate(joints)]


@pytest.fixture
def file(tmp_path: Path, maps_file: Path) -> Path:
    """Return a copy of the maps that ship with the package, with a few words more."""
    copy = tmp_path / 'maps.yaml'
    text = maps_file.read_text(encoding='utf-8')
    text = text.replace(
        '    lowest: 600 us\n', '    # A stop is at 580 us.\n    lowest: 600 us   # checked\n', 1
    )
    copy.write_text(text, encoding='utf-8')
    return copy


def test_a_straight_map(file: Path, bracken: Robot) -> None:
    """Its lines change, with where and when they come from, and no other line."""
    before = file.read_text(encoding='utf-8')
    former = with_servo_maps(
        open_maps(file, bracken, TODAY), bracken, [coxa(LINE)], MEASURED
    ).save()
    assert former is not None
    assert former.read_text(encoding='utf-8') == before
    expected = before
    for old, new in (
        ('lowest: 600 us   # checked', 'lowest: 712 us   # checked'),
        ('highest: 2400 us', 'highest: 2300 us'),
        ('centre: 1508 us', 'centre: 1496 us'),
        ('gain: 636.62 us/rad', 'gain: -612.34 us/rad'),
        ('horn_offset: 0 deg', 'horn_offset: -3.21 deg'),
        ('when: 2026-11-25', 'when: 2026-11-30'),
        ('how: example values, never measured on a robot; calibrate before you connect servos',
         'how: "with a protractor; 14 readings a joint: 18 joints"'),
    ):  # fmt: skip
        assert old in expected
        expected = expected.replace(old, new, 1)
    assert file.read_text(encoding='utf-8') == expected
    loaded = load_servo_maps(file, bracken)
    assert loaded.measured == MEASURED
    assert loaded.by_joint['left_front_coxa'].curve == LINE
    assert (loaded.maps[0].lowest_us, loaded.maps[0].highest_us) == (712.0, 2300.0)


def test_a_line_becomes_a_table_and_a_line_again(file: Path, bracken: Robot) -> None:
    """The comments stay where they were, and the second way back ends where the first began."""
    document = open_maps(file, bracken, TODAY)
    document = with_servo_maps(document, bracken, [coxa(LINE)], MEASURED)
    document.save()
    straight = file.read_text(encoding='utf-8')
    with_servo_maps(document, bracken, [coxa(TABLE)], MEASURED).save()
    bent = file.read_text(encoding='utf-8')
    assert bent == straight.replace(
        '    centre: 1496 us\n    gain: -612.34 us/rad\n    horn_offset: -3.21 deg\n',
        '    table:\n'
        '      - [-61.50 deg, 2290 us]\n'
        '      - [1.25 deg, 1500 us]\n'
        '      - [60.00 deg, 812.5 us]\n',
        1,
    )
    loaded = load_servo_maps(file, bracken).maps[0].curve
    assert isinstance(loaded, TableCurve)
    assert loaded.angles == pytest.approx(TABLE.angles[::-1])
    assert loaded.pulses_us == TABLE.pulses_us[::-1]
    again = open_maps(file, bracken, TODAY)
    with_servo_maps(again, bracken, [coxa(LINE)], MEASURED).save()
    assert file.read_text(encoding='utf-8') == straight


def test_a_map_between_braces(file: Path, bracken: Robot) -> None:
    """Some write a joint on one line: it stays one."""
    text = file.read_text(encoding='utf-8')
    start = text.index('  left_front_coxa:\n')
    end = text.index('  left_front_femur:\n')
    braces = (
        '  left_front_coxa: {board: main, channel: 0, lowest: 600 us, highest: 2400 us, '
        'centre: 1508 us, gain: 636.62 us/rad, horn_offset: 0 deg}   # short\n'
    )
    file.write_text(f'{text[:start]}{braces}{text[end:]}', encoding='utf-8')
    with_servo_maps(open_maps(file, bracken, TODAY), bracken, [coxa(TABLE)], MEASURED).save()
    assert (
        '  left_front_coxa: {board: main, channel: 0, lowest: 712 us, highest: 2300 us, table: '
        '[[-61.50 deg, 2290 us], [1.25 deg, 1500 us], [60.00 deg, 812.5 us]]}   # short\n'
    ) in file.read_text(encoding='utf-8')
    assert isinstance(load_servo_maps(file, bracken).maps[0].curve, TableCurve)


def test_a_first_calibration_begins_the_file(tmp_path: Path, bracken: Robot) -> None:
    """One leg first: the others are not wired; later they join it, and the list goes."""
    file = tmp_path / 'new.yaml'
    document = open_maps(file, bracken, TODAY)
    assert not file.exists()
    assert joint_maps_of(document, bracken) == ()
    assert with_servo_maps(document, bracken, maps_of(bracken, 1), MEASURED).save() is None
    loaded = load_servo_maps(file, bracken)
    assert [each.joint for each in loaded.maps] == list(bracken.legs[0].joints)
    assert loaded.not_wired == bracken.leg_names[1:]
    document = open_maps(file, bracken, TODAY)
    with_servo_maps(document, bracken, maps_of(bracken, 6), MEASURED).save()
    loaded = load_servo_maps(file, bracken)
    assert len(loaded.maps) == 18
    assert loaded.not_wired == ()
    text = file.read_text(encoding='utf-8')
    assert text.startswith('# Which pulse turns which joint of bracken how far.\n')
    assert 'not_wired' not in text
    assert '    horn_offset: -3.21 deg\n  left_front_femur:\n    board: main\n' in text


def test_a_leg_that_is_wired_later(file: Path, bracken: Robot) -> None:
    """It comes off the list where it stood, and goes behind the others."""
    text = file.read_text(encoding='utf-8')
    head = text[: text.index('  right_front_coxa:\n')]
    head = head.replace(
        'joints:\n', 'not_wired: [right_front, right_middle, right_rear]\n\njoints:\n'
    )
    file.write_text(head, encoding='utf-8')
    leg = bracken.legs[3]
    maps = [
        replace(coxa(LINE), joint=joint, channel=9 + place)
        for place, joint in enumerate(leg.joints)
    ]
    with_servo_maps(open_maps(file, bracken, TODAY), bracken, maps, MEASURED).save()
    loaded = load_servo_maps(file, bracken)
    assert loaded.not_wired == ('right_middle', 'right_rear')
    assert {each.joint for each in maps} <= set(loaded.by_joint)
    assert 'not_wired: [right_middle, right_rear]\n' in file.read_text(encoding='utf-8')


@pytest.mark.parametrize(
    ('maps', 'message'),
    [
        ([coxa(LINE)], 'missing here: left_front_femur, left_front_tibia'),
        ([], 'every leg is listed, so that there is nothing to drive'),
    ],
)
def test_a_file_that_could_not_be_read_is_not_made(
    tmp_path: Path, bracken: Robot, maps: list[ServoMap], message: str
) -> None:
    """A leg without all of its joints, or no leg at all."""
    document = open_maps(tmp_path / 'new.yaml', bracken, TODAY)
    with pytest.raises(DescriptionError, match=message):
        with_servo_maps(document, bracken, maps, MEASURED)
    assert not document.file.exists()


@pytest.mark.parametrize(
    ('servo_map', 'message'),
    [
        (replace(coxa(LINE), channel=5), "channel 5 of board 'main' belongs to 'left_front_coxa'"),
        (replace(coxa(LINE), joint='left_front_hip'), "no joint 'left_front_hip'"),
        (replace(coxa(LINE), lowest_us=450.0), '450 us is beyond|450 µs is beyond'),
        (replace(coxa(LINE), lowest_us=2399.0), 'the lowest pulse, 2399 µs, must be below'),
        (coxa(replace(LINE, gain_us_per_rad=1.0)), 'not within 20 us/rad'),
        (coxa(replace(LINE, horn_offset=radians(190.0))), 'keep within half a turn'),
    ],
)
def test_a_map_that_does_not_fit_is_refused(
    file: Path, bracken: Robot, servo_map: ServoMap, message: str
) -> None:
    """Nothing is written, and the place is named."""
    before = file.read_bytes()
    with pytest.raises(DescriptionError, match=message):
        with_servo_maps(open_maps(file, bracken, TODAY), bracken, [servo_map], MEASURED)
    assert file.read_bytes() == before


def test_maps_of_another_robot_are_not_touched(file: Path, bracken: Robot) -> None:
    """Told before anything is measured."""
    file.write_text(file.read_text(encoding='utf-8').replace('robot: bracken', 'robot: nettle'))
    with pytest.raises(DescriptionError, match="these maps are of 'nettle'"):
        open_maps(file, bracken, TODAY)


def test_interrupted_at_any_moment(
    file: Path, bracken: Robot, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cut off before each step of writing, the file is the former one, whole."""
    original = file.read_bytes()
    changed = with_servo_maps(open_maps(file, bracken, TODAY), bracken, [coxa(TABLE)], MEASURED)
    steps: dict[str, Any] = {'fsync': os.fsync, 'fchmod': os.fchmod, 'replace': Path.replace}
    left = 0

    class CutError(BaseException):
        """As of a process that is killed."""

    def counted(name: str) -> Any:  # noqa: ANN401
        def step(*arguments: object) -> object:
            nonlocal left
            left -= 1
            if left < 0:
                raise CutError
            return steps[name](*arguments)

        return step

    for name in steps:
        monkeypatch.setattr(Path if name == 'replace' else os, name, counted(name))
    for allowed in itertools.count():
        left = allowed
        try:
            changed.save()
        except CutError:
            assert file.read_bytes() == original
        else:
            break
    # Three steps for the former file and three for the new one.
    assert allowed == 6
    assert isinstance(load_servo_maps(file, bracken).maps[0].curve, TableCurve)
    assert file.with_name('maps.yaml~').read_bytes() == original


@settings(max_examples=15)
@given(
    centre=st.integers(600, 2400),
    gain=st.floats(25.0, 2000.0).map(lambda value: round(value, 2)),
    sign=st.sampled_from([-1.0, 1.0]),
    offset=st.integers(-17000, 17000),
    bounds=st.tuples(st.floats(500.0, 1400.0), st.floats(1600.0, 2500.0)),
)
def test_any_map_is_read_as_it_was_written(  # noqa: PLR0917 - of Hypothesis
    tmp_path_factory: pytest.TempPathFactory,
    bracken: Robot,
    centre: int,
    gain: float,
    sign: float,
    offset: int,
    bounds: tuple[float, float],
) -> None:
    """To a hundredth of a degree and of a µs/rad, and never a pulse beyond the bounds."""
    curve = LinearCurve(float(centre), sign * gain, radians(offset / 100.0))
    file = tmp_path_factory.mktemp('maps') / 'new.yaml'
    maps = [replace(each, curve=curve, lowest_us=bounds[0], highest_us=bounds[1])
            for each in maps_of(bracken, 1)]  # fmt: skip
    with_servo_maps(open_maps(file, bracken, TODAY), bracken, maps, MEASURED).save()
    read = load_servo_maps(file, bracken).maps[0]
    assert isinstance(read.curve, LinearCurve)
    assert read.curve.centre_us == curve.centre_us
    assert read.curve.gain_us_per_rad == pytest.approx(curve.gain_us_per_rad, rel=1e-12)
    assert read.curve.horn_offset == pytest.approx(curve.horn_offset, abs=1e-12)
    assert bounds[0] <= read.lowest_us < bounds[0] + 1.0
    assert bounds[1] - 1.0 < read.highest_us <= bounds[1]
