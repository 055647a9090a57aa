# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A leg on the bench, odd numbers of legs, legs that are not wired: what `check` can be asked."""

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from math import cos, radians, sin
from pathlib import Path

import mujoco
import numpy as np
import pytest
from click.testing import CliRunner

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.commands.main import main
from leg_kinematics.design import advice
from leg_kinematics.design.finding import Verdict
from leg_kinematics.design.one_foot import (
    DOWN,
    UP,
    largest_force,
    one_foot_findings,
    smallest_force,
)
from leg_kinematics.design.report import Report, check_robot
from leg_kinematics.gait import GaitParameters
from leg_kinematics.robot import STANDARD_GRAVITY, Leg, Mount, Robot, Vector, load_robot
from leg_kinematics.robot.urdf import urdf
from leg_kinematics.solver import LegReach, LegSolver, leg_solvers, posture_angles

CONFIG = Path(__file__).parents[2] / 'config'
BRACKEN = CONFIG / 'robots' / 'bracken.yaml'
BENCH = CONFIG / 'robots' / 'bench_leg.yaml'

#: Groups of lines that need a walk, by `design/report.py`.
OF_A_WALK = {'fastest walk', 'servo speed used', 'support margin'}


@pytest.fixture(autouse=True)
def no_trials(monkeypatch: pytest.MonkeyPatch) -> None:
    """Spare the search for advice, which has tests of its own."""
    monkeypatch.setattr(advice, 'WALKS', 0)


def robot_file(legs: Sequence[str], folder: Path, *more: str) -> Path:
    """Write bracken with some of its legs, and lines for more."""
    kept, dropping = [], False
    for text in BRACKEN.read_text(encoding='utf-8').splitlines():
        name = text.strip().removesuffix(':')
        if text == f'  {name}:' and name.startswith(('left_', 'right_')):
            dropping = name not in legs
        elif not text.startswith('    '):
            dropping = False
        if not dropping:
            kept.append(text)
        if text == 'legs:':
            kept += more
    file = folder / 'robot.yaml'
    file.write_text('\n'.join(kept) + '\n', encoding='utf-8')
    return file


def maps_file(legs: Sequence[str], folder: Path, *, not_wired: str = '') -> Path:
    """Write the servo maps of some legs of bracken."""
    text = (CONFIG / 'servo_maps' / 'bracken.yaml').read_text(encoding='utf-8')
    head, _, joints = text.partition('joints:\n')
    # A joint begins with two blanks, what is said of it with four.
    maps = re.split(r'\n(?=  \w)', joints)
    kept = [each for each in maps if each.strip().partition(':')[0].rpartition('_')[0] in legs]
    file = folder / 'maps.yaml'
    file.write_text('\n'.join([f'{head}{not_wired}joints:', *kept, '']), encoding='utf-8')
    return file


TAIL = (
    '  tail:',
    '    mount: {position: [-140 mm, 0 mm, 0 mm], rpy: [0 deg, 0 deg, 180 deg]}',
)
SIX = ('left_front', 'left_middle', 'left_rear', 'right_front', 'right_middle', 'right_rear')


@pytest.mark.parametrize(
    ('legs', 'more', 'reason'),
    [
        (('left_front',), (), 'at least 3 legs to stand on: bracken has 1 leg'),
        (('left_front', 'right_front'), (), 'at least 3 legs to stand on: bracken has 2 legs'),
        (('left_front', 'left_rear', 'right_middle'), (), 'bracken has 2 and 1'),
        (SIX[:5], (), 'bracken has 3 and 2'),
        (SIX, TAIL, 'bracken has 3 and 4'),
    ],
    ids=['one', 'two', 'three', 'five', 'seven'],
)
def test_what_can_be_asked_is_and_the_rest_told(
    tmp_path: Path, legs: tuple[str, ...], more: tuple[str, ...], reason: str
) -> None:
    """Nothing fails that was not asked, nothing passes that was not, and the words say why."""
    robot = load_robot(robot_file(legs, tmp_path, *more))
    report = check_robot(robot, None, lambda _: None)
    groups = {each.group for each in report.findings}
    stands = len(robot.legs) >= 3
    assert report.verdict is Verdict.PASS
    assert groups >= {'reach', 'load at one foot', 'clearance'}
    assert not groups & OF_A_WALK
    assert ('body over its feet' in groups) == ('battery' in groups) == stands
    assert report.walks == ()
    assert reason in report.not_asked[0].reason
    assert 'fastest walk' in report.not_asked[0].questions
    assert len(report.not_asked) == (1 if stands else 2)


def test_five_legs_walk_as_declared(tmp_path: Path) -> None:
    """With phases of its own an odd robot is asked everything, and nothing about one foot."""
    phases = {name: 0.2 * place for place, name in enumerate(SIX[:5])}
    parameters = GaitParameters(duty_factor=0.8, slow_duty_factor=0.8, phases=phases)
    robot = load_robot(robot_file(SIX[:5], tmp_path))
    report = check_robot(robot, None, lambda _: None, parameters)
    groups = {each.group for each in report.findings}
    assert groups >= OF_A_WALK
    assert 'load at one foot' not in groups
    assert report.not_asked == ()


@pytest.mark.parametrize('columns', [60, 80])
def test_the_leg_on_the_bench_passes(tmp_path: Path, columns: int) -> None:
    """The example passes with its maps, says what was not asked, and keeps to the page."""
    arguments = ['check', str(BENCH), '--servo-maps', str(CONFIG / 'servo_maps' / BENCH.name)]
    arguments += ['--output', str(tmp_path / 'pictures')]
    result = CliRunner(env={'COLUMNS': str(columns)}).invoke(main, arguments)
    assert result.exit_code == 0
    assert 'bench_leg: pass, as far as it can be asked' in result.output
    assert 'not asked: stride radius, fastest walk' in result.output
    for name in ('straight lines', 'pulse range left', 'holds up, standing'):
        assert name in result.output
    told = result.output.partition('Pictures:')[0]
    assert max(map(len, told.splitlines())) <= columns
    # For a script as well.
    result = CliRunner().invoke(main, [*arguments, '--json'])
    known = json.loads(result.stdout)
    assert [each['questions'][0] for each in known['not_asked']] == [
        'stride radius',
        'body over its feet',
    ]


def test_legs_that_are_not_wired_are_told_and_their_pulses_left_out(tmp_path: Path) -> None:
    """The whole design is asked; pulses of the five legs only, lines of the first of them."""
    wired = SIX[1:]
    maps = maps_file(wired, tmp_path, not_wired='not_wired: [left_front]\n')
    robot = load_robot(BRACKEN)
    report = check_robot(robot, load_servo_maps(maps, robot), lambda _: None)
    assert report.verdict is Verdict.PASS
    pulses = [each.name for each in report.findings if each.group == 'pulse range left']
    assert pulses == [joint for joint in robot.joints if not joint.startswith('left_front')]
    assert {each.leg for each in report.lines} == {'left_middle'}
    assert 'left_front is not wired' in report.remarks[0]
    assert {each.group for each in report.findings} >= OF_A_WALK


# ---- what one foot holds


def lines(report: Report) -> dict[str, float | None]:
    """Read the values of the lines on one foot."""
    return {each.name: each.value for each in report.findings if each.group == 'load at one foot'}


def test_the_bench_leg_holds_what_the_lever_rule_says() -> None:
    """By hand: moments about the femur axis, which gives way first in these places.

    Standing, the foot is 125 - 32 = 93 mm out of that axis. Anywhere, the leg is stretched level
    but for the 5 degrees that its knee keeps.
    """
    robot = load_robot(BENCH)
    found = lines(check_robot(robot, None, lambda _: None))
    (leg,) = robot.legs
    femur, tibia, stall = leg.femur, leg.tibia, 15.0 * 9.80665e-2
    (angles,) = posture_angles(robot, leg_solvers(robot), 'standing')
    # As it stands, with both centres of mass by their distance from the femur axis.
    out = femur.length * cos(angles[1]) + tibia.centre_of_mass * cos(angles[1] + angles[2])
    weights = STANDARD_GRAVITY * (
        femur.mass * femur.centre_of_mass * cos(angles[1]) + tibia.mass * out
    )
    assert found['holds up, standing'] == pytest.approx((stall - weights) / 0.093 / 9.80665)
    assert found['presses down, standing'] == pytest.approx((stall + weights) / 0.093)
    worst = min(
        (stall - moment(leg, raised)) / lever(leg, raised) / 9.80665
        for raised in np.linspace(-0.3, 0.3, 2001)
    )
    assert found['holds up, anywhere'] == pytest.approx(worst, rel=1e-5)


def lever(leg: Leg, raised: float) -> float:
    """Distance of the foot from the femur axis, level, with the knee at its limit, m (by hand)."""
    knee = radians(-5.0)
    return leg.femur.length * cos(raised) + leg.tibia.length * cos(raised + knee)


def moment(leg: Leg, raised: float) -> float:
    """Moment of the weights about the femur axis, with the knee at its limit, N·m (by hand)."""
    knee, femur, tibia = radians(-5.0), leg.femur, leg.tibia
    out = femur.length * cos(raised) + tibia.centre_of_mass * cos(raised + knee)
    own = femur.mass * femur.centre_of_mass * cos(raised)
    return STANDARD_GRAVITY * (own + tibia.mass * out)


def simulated_torques(robot: Robot, angles: Vector, newtons: float) -> Sequence[float]:
    """Torques that hold one leg still under a force at its foot, N upwards; in N·m.

    MuJoCo 3, inverse dynamics of the URDF of the robot: at rest its `qfrc_inverse` is what holds
    gravity, and `mj_applyFT` gives the moments of the force.
    """
    kept = '<mujoco><compiler fusestatic="false"/></mujoco></robot>'
    model = mujoco.MjModel.from_xml_string(urdf(robot).replace('</robot>', kept))
    data = mujoco.MjData(model)
    (leg,) = robot.legs
    places = [model.joint(joint) for joint in leg.joints]
    for place, angle in zip(places, angles, strict=True):
        data.qpos[place.qposadr[0]] = angle
    model.opt.gravity[:] = (0.0, 0.0, -STANDARD_GRAVITY)
    model.opt.disableflags |= int(mujoco.mjtDisableBit.mjDSBL_CONTACT)
    mujoco.mj_inverse(model, data)
    (solver,) = leg_solvers(robot)
    given = np.zeros(model.nv)
    body = model.body(f'{leg.name}_tibia_link').id
    mujoco.mj_applyFT(
        model, data, np.array([0.0, 0.0, newtons]), np.zeros(3),
        np.array(solver.foot(angles)), body, given,
    )  # fmt: skip
    held = data.qfrc_inverse - given
    return [float(held[place.dofadr[0]]) for place in places]


@pytest.mark.parametrize('rpy', [(0.0, 0.0, 0.0), (0.4, -0.5, 1.0)], ids=['level', 'tilted'])
@pytest.mark.parametrize('direction', [UP, DOWN], ids=['presses down', 'holds up'])
def test_at_the_largest_force_one_servo_just_stalls(rpy: Vector, direction: Vector) -> None:
    """MuJoCo finds the servo that is named at its stall torque, and no other beyond its own."""
    bench = load_robot(BENCH)
    robot = replace(bench, legs=(replace(bench.legs[0], mount=Mount((0.03, 0.0, 0.0), rpy)),))
    (leg,), (solver,) = robot.legs, leg_solvers(robot)
    for angles in ((0.0, 0.3, -1.3), (0.7, -0.4, -0.6), (-0.9, 1.2, -2.3)):
        found = largest_force(leg, solver, angles, direction)
        torques = simulated_torques(robot, angles, direction[2] * found.force)
        shares = {
            joint: abs(torque) / link.servo.stall_torque
            for joint, link, torque in zip(leg.joints, leg.links, torques, strict=True)
        }
        assert max(shares, key=shares.__getitem__) == found.joint
        assert shares[found.joint] == pytest.approx(1.0, rel=1e-6)


@pytest.mark.parametrize('rpy', [(0.0, 0.0, 0.0), (0.4, -0.5, 1.0)], ids=['level', 'tilted'])
def test_no_random_place_holds_less_than_the_worst(rpy: Vector) -> None:
    """Of 4000 places that the foot can take none is worse, and one is nearly as bad."""
    bench = load_robot(BENCH)
    leg = replace(bench.legs[0], mount=Mount((0.03, 0.0, 0.0), rpy))
    (solver,) = leg_solvers(replace(bench, legs=(leg,)))
    worst = smallest_force(leg, solver, DOWN)
    random = np.random.default_rng(7)
    low, high = np.array(LegReach(solver).ranges).T
    forces = []
    for q1, q2, q3 in random.uniform(low, high, size=(4000, 3)).tolist():
        if in_front(solver, (q1, q2, q3)):
            forces.append(largest_force(leg, solver, (q1, q2, q3), DOWN).force)
    assert worst.force <= min(forces)
    assert min(forces) < 1.1 * worst.force


def in_front(solver: LegSolver, angles: Vector) -> bool:
    """Whether the foot is in front of the coxa axis, where alone the leg is solved."""
    x, y, _ = solver.mount.to_mount(solver.foot(angles))
    return x * cos(angles[0]) + y * sin(angles[0]) >= 0.0


def test_a_leg_that_cannot_hold_itself_fails(tmp_path: Path) -> None:
    """A servo of 0.05 kgf.cm stalls under the leg alone: no value, a failing line, its words."""
    weak = BENCH.read_text(encoding='utf-8').replace('15 kgf.cm', '0.05 kgf.cm')
    (tmp_path / 'weak.yaml').write_text(weak, encoding='utf-8')
    robot = load_robot(tmp_path / 'weak.yaml')
    legs = leg_solvers(robot)
    found = one_foot_findings(robot, legs, posture_angles(robot, legs, 'standing'))
    anywhere = next(each for each in found if each.name == 'holds up, anywhere')
    assert anywhere.value is None
    assert anywhere.verdict is Verdict.FAIL
    assert 'stalls under the weight of the leg alone' in anywhere.detail
