# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A description file becomes a robot, or an error that names file, line and place."""

import re
from collections.abc import Callable
from pathlib import Path

import mujoco
import numpy as np
import pytest

from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver import leg_solvers


def test_bracken_is_what_its_file_says(bracken_file: Path) -> None:
    """The robot that ships with the package is read in SI, in the order of the file."""
    robot = load_robot(bracken_file)
    assert robot.name == 'bracken'
    assert robot.leg_names == (
        'left_front', 'left_middle', 'left_rear', 'right_front', 'right_middle', 'right_rear',
    )  # fmt: skip
    assert robot.joints[:3] == ('left_front_coxa', 'left_front_femur', 'left_front_tibia')
    assert robot.mass == pytest.approx(0.88 + 6 * (0.075 + 0.085 + 0.040))
    coxa, femur, tibia = robot.legs[0].links
    assert (coxa.length, femur.length, tibia.length) == (0.032, 0.068, 0.104)
    assert (femur.centre_of_mass, tibia.centre_of_mass) == (0.034, 0.040)
    assert tibia.upper == pytest.approx(-0.0872665)
    assert coxa.servo.pulse_us == (500.0, 2500.0)
    assert coxa.servo.stall_torque == pytest.approx(1.4709975)  # 15 × 0.0980665, by definition


def test_feet_stand_straight_out_at_the_reach(bracken_file: Path) -> None:
    """A foot stands `reach` from its mount along the yaw of the leg, `height` below."""
    robot = load_robot(bracken_file)
    # By hand: 0.115 + 0.125 cos 40°, 0.060 + 0.125 sin 40°; 0.085 + 0.125.
    assert robot.standing.feet[0] == pytest.approx((0.2107556, 0.1403485, -0.085), abs=1e-7)
    assert robot.standing.feet[1] == pytest.approx((0.0, 0.210, -0.085))
    assert robot.resting.feet[4] == pytest.approx((0.0, -0.210, -0.030))


def test_rpy_is_about_fixed_axes(edited: Callable[[str, str], Path]) -> None:
    """Roll, pitch and yaw turn about fixed axes (REP 103), as MuJoCo's extrinsic XYZ do."""
    rpy = (20.0, 30.0, 40.0)
    robot = load_robot(edited('rpy: [0 deg, 0 deg, 40 deg]', 'rpy: [20 deg, 30 deg, 40 deg]'))
    quaternion, matrix = np.zeros(4), np.zeros(9)
    mujoco.mju_euler2Quat(quaternion, np.radians(rpy), 'XYZ')
    mujoco.mju_quat2Mat(matrix, quaternion)
    outwards = matrix.reshape(3, 3)[:2, 0]
    expected = np.array([0.115, 0.060]) + 0.125 * outwards / np.linalg.norm(outwards)
    np.testing.assert_allclose(robot.standing.feet[0][:2], expected, atol=1e-12)


def test_an_imu_may_be_described(edited: Callable[[str, str], Path], bracken_file: Path) -> None:
    """Its pose is read as that of a leg is; without one there is none, and half of one is wrong."""
    assert load_robot(bracken_file).imu is None
    imu = 'imu: {position: [0 mm, 5 mm, 20 mm], rpy: [0 deg, 0 deg, 90 deg]}'
    robot = load_robot(edited('legs:', f'{imu}\n\nlegs:'))
    assert robot.imu is not None
    assert robot.imu.position == pytest.approx((0.0, 0.005, 0.020))
    assert robot.imu.rpy == pytest.approx((0.0, 0.0, np.pi / 2))
    with pytest.raises(DescriptionError, match='rpy'):
        load_robot(edited('legs:', 'imu: {position: [0 mm, 5 mm, 20 mm]}\n\nlegs:'))


def test_leg_may_differ_from_the_others(edited: Callable[[str, str], Path]) -> None:
    """A leg with a link of its own uses it, and the other legs keep theirs."""
    own = (
        'left_front:\n    tibia: {length: 120 mm, mass: 50 g, radius: 8 mm, '
        'limits: [-150 deg, -5 deg], servo: standard}'
    )
    robot = load_robot(edited('left_front:', own))
    assert [leg.tibia.length for leg in robot.legs] == [0.120] + 5 * [0.104]
    assert robot.legs[0].tibia.centre_of_mass == 0.060


def test_foot_may_differ_from_the_reach(edited: Callable[[str, str], Path]) -> None:
    """A foot given by itself stands where it is given."""
    robot = load_robot(edited('height: 85 mm', 'height: 85 mm\n  feet: {left_middle: [1 cm, 0.2]}'))
    assert robot.standing.feet[1] == (0.010, 0.2, -0.085)


@pytest.mark.parametrize('down', ['90 deg', '1.57'])
def test_upright_leg_needs_a_foot_of_its_own(edited: Callable[[str, str], Path], down: str) -> None:
    """A mount that points straight down gives the reach no direction, which is said."""
    file = edited('rpy: [0 deg, 0 deg, 90 deg]', f'rpy: [0 deg, {down}, 0 deg]')
    with pytest.raises(DescriptionError, match=r"resting: leg 'left_middle' points straight"):
        load_robot(file)


@pytest.mark.parametrize('torque', ['15 kgf.cm', '0.1 kgf.cm'])
def test_one_leg_is_a_robot(tmp_path: Path, bracken_file: Path, torque: str) -> None:
    """A single leg on a bench is a robot too, and never has to carry the body."""
    lines = bracken_file.read_text(encoding='utf-8').splitlines()
    first = lines.index('  left_middle:')
    last = next(index for index, line in enumerate(lines) if line.startswith('# Height'))
    file = tmp_path / 'one.yaml'
    text = '\n'.join(lines[:first] + lines[last:])
    file.write_text(text.replace('15 kgf.cm', torque), encoding='utf-8')
    robot = load_robot(file)
    assert robot.leg_names == ('left_front',)
    assert not robot.stands


def test_torque_budget_is_the_hand_calculation(edited: Callable[[str, str], Path]) -> None:
    """A servo just below 2.08 kg on three of six legs at 93 mm is refused, just above is not."""
    # By hand: 2.08 × 9.80665 / 3 × 0.093 = 0.632333 N·m = 6.448 kgf.cm.
    assert load_robot(edited('15 kgf.cm', '6.449 kgf.cm')).name == 'bracken'
    with pytest.raises(DescriptionError, match=r'0\.632 N·m \(6\.45 kgf\.cm\)') as caught:
        load_robot(edited('15 kgf.cm', '6.447 kgf.cm'))
    assert caught.value.path == 'standing'


@pytest.mark.parametrize(
    ('old', 'new', 'blamed', 'path', 'message'),
    [
        ('length: 68 mm', 'length: 68 deg', '68 deg', 'links.femur.length', 'a length in m, cm'),
        ('length: 68 mm', 'length: 68 mn', '68 mn', 'links.femur.length', 'For example: 62 mm'),
        ('length: 68 mm', 'length: -68 mm', '-68', 'links.femur.length', 'is below zero'),
        ('length: 68 mm', 'length: .nan', '.nan', 'links.femur.length', 'a length in m'),
        ('length: 68 mm', 'length: 1e999', '1e999', 'links.femur.length', 'too large'),
        ('mass: 85 g', 'mass: 0 g', 'mass: 0 g', 'links.femur.mass', 'not within 0.01 g'),
        ('mass: 85 g', 'weight: 85 g', 'weight', 'links.femur.weight',
         "unknown key 'weight'; expected one of: length, mass"),
        ('mass: 85 g', '#', 'femur:', 'links.femur', 'missing here: mass'),
        ('mass: 85 g', 'mass: 85 g\n    mass: 86 g', 'mass: 86 g', 'links.femur.mass',
         'first on line'),
        ('mass: 0.88 kg', '#', 'body:', 'body', 'missing here: mass'),
        ('[0 mm, 0 mm, 0 mm]', '0', 'centre_of_mass: 0', 'body.centre_of_mass', 'a list of 3: x'),
        ('[-60 deg, 95 deg]', '[95 deg, -60 deg]', '[95 deg', 'links.femur.limits',
         'the lower value 95 deg must be below the upper value -60 deg'),
        ('[-60 deg, 95 deg]', '[-60, 95]', '[-60, 95]', 'links.femur.limits[0]',
         '-60, read as -60 rad, .* did you mean -60 deg'),
        ('rpy: [0 deg, 0 deg, 40 deg]', 'rpy: [0, 0, 40]', '[0, 0, 40]',
         'legs.left_front.mount.rpy[2]', 'did you mean 40 deg'),
        ('[-60 deg, 95 deg]', '[-60 deg, 200 deg]', '200 deg', 'links.femur.limits[1]',
         'not within -180 deg … 180 deg: .* a full turn apart'),
        ('[-60 deg, 95 deg]', '[-60 deg]', '[-60 deg]', 'links.femur.limits',
         'a list of 2: the lower and the upper limit'),
        ('centre_of_mass: 40 mm', 'centre_of_mass: 105 mm', '105 mm',
         'links.tibia.centre_of_mass', 'outside the link, whose length is 104 mm'),
        ('servo: standard', 'servo: strong', 'strong', 'links.coxa.servo',
         "no servo 'strong'; under servos there are: standard"),
        ('dead_band: 4 us', 'dead_band: 4', 'dead_band', 'servos.standard.dead_band',
         'read as 4 s, .* did you mean 4 us'),
        ('[500 us, 2500 us]', '[2500 us, 500 us]', '[2500', 'servos.standard.pulse',
         'must be below'),
        ('left_rear:', 'left_front:', '140 deg', 'legs.left_front', 'first on line'),
        ('left_rear:', 'Left-Rear:', 'Left-Rear', 'legs.Left-Rear', 'a name of lower-case'),
        ('name: bracken', 'name: 7', 'name: 7', 'name', 'a name of lower-case letters'),
        ('height: 30 mm', 'height: 30 mm\n  feet: {nose: [0, 0]}', 'nose',
         'resting.feet.nose', "no leg 'nose'; the legs are: left_front"),
        ('[260 mm, 130 mm, 50 mm]', '[260 mm, 130 mm, 0]', '260', 'body.size[2]', 'not within'),
    ],
)  # fmt: skip
def test_wrong_description_is_refused_with_its_place(  # noqa: PLR0917 - a table
    edited: Callable[[str, str], Path], old: str, new: str, blamed: str, path: str, message: str
) -> None:
    """Every mistake is an error with file, line, place and what was expected."""
    file = edited(old, new)
    lines = file.read_text(encoding='utf-8').splitlines()
    line = next(number for number, text in enumerate(lines, start=1) if blamed in text)
    if path == 'legs.left_front':
        line -= 1  # the key stands above the text that marks it
    with pytest.raises(DescriptionError, match=message) as caught:
        load_robot(file)
    assert str(caught.value).startswith(f'{file}:{line}: {path}: ')


def test_no_legs_is_refused(tmp_path: Path, bracken_file: Path) -> None:
    """A robot without a leg is refused at the line of its legs."""
    lines = bracken_file.read_text(encoding='utf-8').splitlines()
    first = lines.index('legs:')
    last = next(index for index, line in enumerate(lines) if line.startswith('# Height'))
    file = tmp_path / 'none.yaml'
    file.write_text('\n'.join([*lines[:first], 'legs: {}', *lines[last:]]), encoding='utf-8')
    with pytest.raises(DescriptionError, match=rf'none\.yaml:{first + 1}: legs: .*1 to 16'):
        load_robot(file)


@pytest.mark.parametrize(
    'tilt', ['0 deg, 0 deg', '0 deg, -40 deg', '0 deg, 35 deg', '25 deg, 0 deg', '-70 deg, 10 deg']
)
def test_the_torque_budget_heeds_the_tilt_of_the_mounts(
    tmp_path: Path, bracken_file: Path, tilt: str
) -> None:
    """Refused is what the principle of virtual work, in differences, says is too much.

    Half of the weight over three feet, each lifted by a little turn of one joint: its torque is
    force times height gained by angle turned.
    """
    text = bracken_file.read_text(encoding='utf-8').replace('rpy: [0 deg, 0 deg,', f'rpy: [{tilt},')
    # Without limits, every foot can stand where it shall.
    text = re.sub(r'limits: \[.*\]', 'limits: [-180 deg, 180 deg]', text)

    def load(stall: float) -> Robot:
        file = tmp_path / 'tilted.yaml'
        file.write_text(text.replace('15 kgf.cm', f'{stall:.9f} N.m'), encoding='utf-8')
        return load_robot(file)

    robot = load(10.0)
    force = 9.80665 * robot.mass / 3.0
    needed = 0.0
    for solver, foot in zip(leg_solvers(robot), robot.standing.feet, strict=True):
        q1, q2, q3 = solver.angles(foot)
        for turned in ((q1 + 1e-6, q2, q3), (q1, q2 + 1e-6, q3)):
            needed = max(needed, force * abs(solver.foot(turned)[2] - foot[2]) / 1e-6)
    load(1.0001 * needed)
    with pytest.raises(DescriptionError, match='standing on half of the legs asks'):
        load(0.9999 * needed)
