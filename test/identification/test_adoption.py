# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What was identified goes into both files of a robot, and all else in them stays."""

import shutil
from collections.abc import Mapping
from dataclasses import replace
from math import degrees, radians
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from leg_kinematics.calibration import LinearCurve, Measured, ServoMaps, TableCurve, load_servo_maps
from leg_kinematics.calibration.least_squares import Estimate
from leg_kinematics.calibration.maps_file import open_maps, with_servo_maps
from leg_kinematics.commands.main import main
from leg_kinematics.errors import CalibrationError, DescriptionError
from leg_kinematics.identification.adoption import Adoption, adopt
from leg_kinematics.identification.landing import aligned, foot_by_maps, landing
from leg_kinematics.identification.model import IdentifiedJoint, IdentifiedLeg
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver import leg_solvers

if TYPE_CHECKING:
    from test import robot_campaign as campaign
    from test.unknown_robot import Measurer
else:
    import robot_campaign as campaign
    from unknown_robot import Measurer

CONFIG = Path(__file__).parents[2] / 'config'
MEASURED = Measured('2026-12-01', 'by ruler; 24 positions')
SPAN_US = (600.0, 2400.0)

#: Of the joints of a leg; those of femur and tibia fit the maps of bracken within some degrees.
STRAIGHT: dict[str, tuple[float, ...]] = {
    'coxa': (0.02, 1.40, 0.0, 0.0, 0.0, 0.0, 0.0),
    'femur': (0.31, 1.42, 0.0, 0.0, 0.0, 0.0, 0.0),
    'tibia': (-1.32, -1.40, 0.0, 0.0, 0.0, 0.0, 0.0),
}


def known(value: float) -> Estimate:
    """Return a value with some error."""
    return Estimate(value, 1e-4, 2e-4)


def found_leg(
    name: str,
    lengths: tuple[float, float, float] = (0.0331, 0.0672, 0.10512),
    position: tuple[float, float, float] = (0.1142, 0.06071, -0.00004),
    rpy: tuple[float, float, float] = (radians(-0.7), radians(1.111), radians(39.2)),
) -> IdentifiedLeg:
    """Return what was found of a leg."""
    coxa, femur, tibia = map(known, lengths)
    x, y, z = map(known, position)
    return IdentifiedLeg(name, (coxa, femur, tibia), (x, y, z), (known(0.0),) * 3, rpy, None)


def found_joints(
    leg: str, coefficients: Mapping[str, tuple[float, ...]] = STRAIGHT
) -> dict[str, IdentifiedJoint]:
    """Return what was found of its joints."""
    return {
        f'{leg}_{segment}': IdentifiedJoint(f'{leg}_{segment}', SPAN_US, row, known(0.005))
        for segment, row in coefficients.items()
    }


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    """Return copies of both files of bracken."""
    robot, maps = tmp_path / 'mine.yaml', tmp_path / 'mine-maps.yaml'
    shutil.copy(CONFIG / 'robots' / 'bracken.yaml', robot)
    shutil.copy(CONFIG / 'servo_maps' / 'bracken.yaml', maps)
    return robot, maps


def read(files: tuple[Path, Path]) -> tuple[Robot, ServoMaps]:
    """Read both."""
    robot = load_robot(files[0])
    return robot, load_servo_maps(files[1], robot)


def adopted(files: tuple[Path, Path], *names: str) -> Adoption:
    """Adopt the same for some legs; bracken's other maps are some 4 degrees away."""
    robot, maps = read(files)
    joints = {key: each for name in names for key, each in found_joints(name).items()}
    legs = {
        name: found_leg(name, position=leg.mount.position, rpy=leg.mount.rpy)
        for name, leg in zip(robot.leg_names, robot.legs, strict=True)
        if name in names
    }
    return adopt(robot, maps, joints, legs, MEASURED)


def test_what_a_person_wrote_stays(files: tuple[Path, Path]) -> None:
    """The lines of one leg change, its links are added whole, and no other line changes."""
    before = files[0].read_text(encoding='utf-8')
    robot, maps = read(files)
    legs = {'left_front': found_leg('left_front')}
    former = adopt(robot, maps, found_joints('left_front'), legs, MEASURED).save()
    expected = before.replace(
        '    mount: {position: [115 mm, 60 mm, 0 mm], rpy: [0 deg, 0 deg, 40 deg]}\n',
        '    mount: {position: [114.20 mm, 60.71 mm, -0.04 mm], '
        'rpy: [-0.70 deg, 1.11 deg, 39.20 deg]}\n'
        '    coxa:\n'
        '      length: 33.10 mm\n'
        '      mass: 75 g\n'
        '      radius: 16 mm\n'
        '      limits: [-60 deg, 60 deg]\n'
        '      servo: standard\n'
        '    femur:\n'
        '      length: 67.20 mm\n'
        '      mass: 85 g\n'
        '      radius: 14 mm\n'
        '      limits: [-60 deg, 95 deg]\n'
        '      servo: standard\n'
        '    tibia:\n'
        '      length: 105.12 mm\n'
        '      mass: 40 g\n'
        '      centre_of_mass: 40 mm\n'
        '      radius: 8 mm\n'
        '      limits: [-150 deg, -5 deg]\n'
        '      servo: standard\n',
        1,
    )
    assert files[0].read_text(encoding='utf-8') == expected
    assert former == tuple(file.with_name(f'{file.name}~') for file in files)
    assert former[0] is not None
    assert former[0].read_text(encoding='utf-8') == before


def test_both_files_are_read_as_they_were_meant(files: tuple[Path, Path]) -> None:
    """Within the digits that are written: hundredths of millimetres and degrees."""
    adoption = adopted(files, 'left_front', 'right_rear')
    adoption.save()
    robot, maps = read(files)
    assert (robot, maps) == (adoption.robot, adoption.maps)
    for name in ('left_front', 'right_rear'):
        leg = robot.legs[robot.leg_names.index(name)]
        lengths = [link.length for link in leg.links]
        assert lengths == pytest.approx([0.0331, 0.0672, 0.10512], abs=1e-9)
        for joint, expected in found_joints(name).items():
            curve = maps.by_joint[joint].curve
            assert isinstance(curve, LinearCurve)
            for pulse in (600.0, 1111.0, 2400.0):
                assert curve.angle(pulse) == pytest.approx(expected.angle(pulse), abs=radians(0.02))
    untouched = load_robot(CONFIG / 'robots' / 'bracken.yaml')
    assert robot.legs[1] == untouched.legs[1]
    assert maps.measured == MEASURED


def test_what_was_adopted_is_adopted_again(files: tuple[Path, Path]) -> None:
    """Own links are changed in place then, and a second time nothing is left to change."""
    adopted(files, 'left_front').save()
    once = [file.read_text(encoding='utf-8') for file in files]
    robot, maps = read(files)
    mount = robot.legs[0].mount
    shorter = found_leg('left_front', (0.0321, 0.0672, 0.10512), mount.position, mount.rpy)
    legs = {'left_front': shorter}
    adopt(robot, maps, found_joints('left_front'), legs, MEASURED).save()
    assert '      length: 32.10 mm' in files[0].read_text(encoding='utf-8')
    assert files[0].read_text(encoding='utf-8').count('    coxa:\n') == 1
    adopted(files, 'left_front').save()
    assert [file.read_text(encoding='utf-8') for file in files] == once


def test_a_bent_servo_gets_a_table(files: tuple[Path, Path]) -> None:
    """It is straight between its rows, and never farther from the curve than a bow between two."""
    bent = STRAIGHT | {'femur': (0.31, 1.42, radians(3.0), radians(-1.0), 0.0, 0.0, 0.0)}
    robot, maps = read(files)
    joints = found_joints('left_front', bent)
    adoption = adopt(robot, maps, joints, {'left_front': found_leg('left_front')}, MEASURED)
    curve = adoption.maps.by_joint['left_front_femur'].curve
    assert isinstance(curve, TableCurve)
    assert curve.pulse_span_us == SPAN_US
    for pulse in range(600, 2401, 7):
        expected = joints['left_front_femur'].angle(pulse)
        assert degrees(curve.angle(pulse)) == pytest.approx(degrees(expected), abs=0.05)


def test_a_servo_that_turns_back_is_refused(files: tuple[Path, Path]) -> None:
    """With its name, and what to look at."""
    back = STRAIGHT | {'tibia': (-1.32, -0.10, 0.2, 0.0, 0.0, 0.0, 0.0)}
    robot, maps = read(files)
    legs = {'left_front': found_leg('left_front')}
    with pytest.raises(CalibrationError, match=r'left_front_tibia seems to turn back .*horn slips'):
        adopt(robot, maps, found_joints('left_front', back), legs, MEASURED)


def test_a_robot_that_cannot_take_its_postures_is_refused(files: tuple[Path, Path]) -> None:
    """As one that could not be driven, and nothing is written."""
    before = [file.read_text(encoding='utf-8') for file in files]
    robot, maps = read(files)
    away = STRAIGHT | {'tibia': (1.5, -1.40, 0.0, 0.0, 0.0, 0.0, 0.0)}
    legs = {'left_front': found_leg('left_front')}
    with pytest.raises(DescriptionError, match='this posture cannot be taken: left_front_tibia'):
        adopt(robot, maps, found_joints('left_front', away), legs, MEASURED)
    assert [file.read_text(encoding='utf-8') for file in files] == before


def test_a_link_whose_mass_is_at_its_end(files: tuple[Path, Path]) -> None:
    """It may be found shorter: its mass goes with its end then, or the file could not be read."""
    text = files[0].read_text(encoding='utf-8')
    assert 'centre_of_mass: 40 mm' in text
    text = text.replace('centre_of_mass: 40 mm', 'centre_of_mass: 104 mm')
    files[0].write_text(text, encoding='utf-8')
    robot, maps = read(files)
    shorter = {'left_front': found_leg('left_front', lengths=(0.032, 0.068, 0.1031))}
    adoption = adopt(robot, maps, found_joints('left_front'), shorter, MEASURED)
    assert adoption.robot.legs[0].tibia.centre_of_mass == pytest.approx(0.1031)


def test_a_file_that_somebody_changed_meanwhile(files: tuple[Path, Path]) -> None:
    """It stays as it is."""
    adoption = adopted(files, 'left_front')
    text = files[0].read_text(encoding='utf-8').replace('5000 mAh', '5200 mAh')
    files[0].write_text(text, encoding='utf-8')
    maps = files[1].read_text(encoding='utf-8')
    with pytest.raises(DescriptionError, match='somebody changed this file'):
        adoption.save()
    assert files[0].read_text(encoding='utf-8') == text
    assert files[1].read_text(encoding='utf-8') == maps


def test_both_files_or_none(files: tuple[Path, Path]) -> None:
    """Lengths and maps belong together: where the maps cannot be written, nothing is."""
    description, maps = files
    before = description.read_text()
    adoption = adopted(files, 'left_front')
    maps.write_text(f'{maps.read_text()}# changed\n')
    with pytest.raises(DescriptionError, match='somebody changed this file'):
        adoption.save()
    assert description.read_text() == before
    assert '# changed' in maps.read_text()


def test_an_alias_is_not_written_over(files: tuple[Path, Path]) -> None:
    """A mount that stands elsewhere would change there too, so it is refused with what to do."""
    text = files[0].read_text(encoding='utf-8')
    text = text.replace('  left_front:\n    mount: {', '  left_front:\n    mount: &first {', 1)
    start = text.index('  left_middle:\n')
    end = text.index('  left_rear:\n')
    text = f'{text[:start]}  left_middle:\n    mount: *first\n{text[end:]}'
    files[0].write_text(text, encoding='utf-8')
    with pytest.raises(DescriptionError, match=r'change legs\.left_front\.mount too: write both'):
        adopted(files, 'left_middle')


small = st.floats(-1.0, 1.0)


@given(st.tuples(*(small,) * 9), st.sampled_from(('left_front', 'right_middle')))
@settings(max_examples=settings().max_examples // 20)
def test_whatever_is_found_within_tolerances_can_be_read(off: tuple[float, ...], name: str) -> None:
    """Lengths by 4 mm, mounts by 3 mm and 4 degrees: the robot has what was found."""
    robot = load_robot(CONFIG / 'robots' / 'bracken.yaml')
    maps = load_servo_maps(CONFIG / 'servo_maps' / 'bracken.yaml', robot)
    leg = robot.legs[robot.leg_names.index(name)]
    coxa, femur, tibia = (
        link.length + 4e-3 * each for link, each in zip(leg.links, off[:3], strict=True)
    )
    x, y, z = (at + 3e-3 * each for at, each in zip(leg.mount.position, off[3:6], strict=True))
    roll, pitch, yaw = (
        at + radians(4.0) * each for at, each in zip(leg.mount.rpy, off[6:], strict=True)
    )
    found = found_leg(name, (coxa, femur, tibia), (x, y, z), (roll, pitch, yaw))
    adoption = adopt(robot, maps, found_joints(name), {name: found}, MEASURED)
    got = adoption.robot.legs[robot.leg_names.index(name)]
    assert [link.length for link in got.links] == pytest.approx([coxa, femur, tibia], abs=5.1e-6)
    assert got.mount.position == pytest.approx([x, y, z], abs=5.1e-6)
    assert got.mount.rpy == pytest.approx([roll, pitch, yaw], abs=radians(0.0051))


def test_feet_are_where_they_were_found(tmp_path: Path) -> None:
    """Of a robot that nobody knows: both files put feet where the fit does, within 0.1 mm.

    And where they truly are, better than the files before.
    """
    measured = campaign.Measured.begin(
        campaign.BRACKEN.part(campaign.BRACKEN.leg_names[:2]), 8, Measurer()
    )
    campaign.by_points(10)(measured)
    found = campaign.identified(measured)
    described, maps = tmp_path / 'mine.yaml', tmp_path / 'mine-maps.yaml'
    shutil.copy(CONFIG / 'robots' / 'bracken.yaml', described)
    robot = load_robot(described)
    new = open_maps(maps, robot, MEASURED.when)
    with_servo_maps(new, robot, campaign.present_maps(measured).values(), MEASURED).save()
    present = load_servo_maps(maps, robot)
    adopt(robot, present, found.joints, found.legs, MEASURED).save()
    after = load_robot(described)
    written = load_servo_maps(maps, after)
    room = campaign.room_of(measured)
    before = landing(room, present.by_joint, found)
    solvers = leg_solvers(after, None)
    changed = replace(room, robot=after.part(room.robot.leg_names), legs=solvers[:2])
    feet = np.array([foot_by_maps(changed, written.by_joint, stand) for stand in before.stands])
    assert np.abs(feet - found.feet(before.stands)).max() < 0.1e-3
    truth = np.array([measured.true.legs[each.leg].point(each.pulses_us) for each in before.stands])
    off, off_before = (
        np.median(np.linalg.norm(aligned(each, truth) - truth, axis=1))
        for each in (feet, before.meant)
    )
    assert off < 0.5 * off_before


def test_check_takes_the_result(files: tuple[Path, Path], tmp_path: Path) -> None:
    """Nothing that passed fails because one leg is its own."""
    adopted(files, 'left_front').save()
    words = ['check', str(files[0]), '--servo-maps', str(files[1]), '--output', str(tmp_path / 'o')]
    result = CliRunner().invoke(main, words)
    assert result.exit_code == 0, result.output
