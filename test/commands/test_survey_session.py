# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The session at the bench with legs, and the robot on the mock that nobody knows."""

import io
from collections.abc import Callable
from math import degrees, dist, radians
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from leg_kinematics.calibration.joint_notes import JointTask
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.leg_bench import DrivenLegs
from leg_kinematics.commands.bench import bench_session
from leg_kinematics.commands.bench.calibration_session import joint_tasks
from leg_kinematics.commands.bench.mock_feet import MockFeet, mock_feet
from leg_kinematics.commands.bench.mock_robot import (
    TrueRobot,
    ground_frame,
    mock_copy,
    truth_beside,
)
from leg_kinematics.commands.bench.survey_session import boards_of, legs_at
from leg_kinematics.commands.options.files import WrongFileError
from leg_kinematics.errors import BoardError
from leg_kinematics.robot import Vector

CONFIG = Path(__file__).parents[2] / 'config'
LEG = 'left_front'
COXA, FEMUR, TIBIA = (f'{LEG}_{part}' for part in ('coxa', 'femur', 'tibia'))

#: A mock on a busy machine answers within this, s.
PATIENCE = 30.0


def loaded(name: str) -> CalibratedRobot:
    """Load a robot of the examples."""
    return CalibratedRobot.load(
        CONFIG / 'robots' / f'{name}.yaml', CONFIG / 'servo_maps' / f'{name}.yaml'
    )


@pytest.fixture(scope='module')
def bracken() -> CalibratedRobot:
    """Six legs."""
    return loaded('bracken')


def tasks_of(robot: CalibratedRobot) -> tuple[JointTask, ...]:
    """List the joints with servos."""
    return joint_tasks(robot.robot, robot.maps.maps)


# ---- the truth


def test_the_maps_are_wrong_about_the_mock_by_centimetres(
    bracken: CalibratedRobot, tmp_path: Path
) -> None:
    """A survey has something to find: of feet on a grid of joint angles half are 10 mm aside.

    Where a foot really is comes of the truth by other means: matrices of rotation, written here.
    """
    truth = TrueRobot.at(tmp_path / 't', bracken.robot, tasks_of(bracken), bracken.maps.by_joint)
    wrong = []
    for leg in bracken.legs:
        for angles in ((q1, q2, q3) for q1 in (-0.4, 0.4) for q2 in (0.2, 0.8) for q3 in (-2, -1)):
            true = [
                radians(truth.servos[joint].angle(bracken.maps.by_joint[joint].pulse_us(angle)))
                for joint, angle in zip(leg.joints, angles, strict=True)
            ]
            c, f, t = truth.legs[leg.name].lengths
            knee = turned(2, true[0]) @ (
                np.array([c, 0.0, 0.0])
                + turned(1, -true[1]) @ (np.array([f, 0, 0]) + turned(1, -true[2]) @ (t, 0, 0))
            )
            roll, pitch, yaw = truth.legs[leg.name].rpy
            mount = turned(2, yaw) @ turned(1, pitch) @ turned(0, roll)
            foot = mount @ knee + truth.legs[leg.name].position
            assert truth.legs[leg.name].foot((true[0], true[1], true[2])) == pytest.approx(foot)
            wrong.append(dist(foot, leg.foot(angles)))
    assert 0.01 < sorted(wrong)[len(wrong) // 2] < 0.03


def turned(axis: int, angle: float) -> 'np.ndarray[tuple[int, int], np.dtype[np.float64]]':
    """Give the matrix of a rotation about a coordinate axis, right-handed."""
    first, second = (axis + 1) % 3, (axis + 2) % 3
    matrix = np.eye(3)
    matrix[first, first] = matrix[second, second] = np.cos(angle)
    matrix[second, first], matrix[first, second] = np.sin(angle), -np.sin(angle)
    return matrix


def test_every_command_meets_the_same_robot(bracken: CalibratedRobot, tmp_path: Path) -> None:
    """What is known of it stays, whatever the maps become; what is asked for anew is added."""
    file = tmp_path / 'robot.json'
    joints = tasks_of(bracken)
    calibrated = TrueRobot.at(file, bracken.robot, joints[:2])
    assert list(calibrated.servos) == [COXA, FEMUR]
    surveyed = TrueRobot.at(file, bracken.robot, joints, bracken.maps.by_joint)
    assert {joint: surveyed.servos[joint] for joint in calibrated.servos} == calibrated.servos
    assert surveyed.legs == calibrated.legs
    assert len(surveyed.servos) == len(bracken.robot.joints)
    assert TrueRobot.at(file, bracken.robot, joints) == surveyed


def test_pulses_of_the_maps_meet_no_stop(bracken: CalibratedRobot, tmp_path: Path) -> None:
    """On the mock as on a robot, what a map allows is free."""
    truth = TrueRobot.at(tmp_path / 't', bracken.robot, tasks_of(bracken), bracken.maps.by_joint)
    for each in bracken.maps.maps:
        lowest, highest = truth.servos[each.joint].stops_us
        assert lowest < each.lowest_us < each.highest_us < highest


@pytest.mark.parametrize('text', ['', '[]', '{"servos": {"a": 1}, "legs": {}}', '{"legs": {}}'])
def test_another_file_is_refused(bracken: CalibratedRobot, tmp_path: Path, text: str) -> None:
    """With what to do, and it stays as it was."""
    file = tmp_path / 'robot.json'
    file.write_text(text)
    with pytest.raises(WrongFileError, match='delete it'):
        TrueRobot.at(file, bracken.robot, ())
    assert file.read_text() == text


def test_copies_for_the_mock_are_named_once() -> None:
    """Who names the copy means it."""
    assert mock_copy(Path('a/mine.yaml')) == Path('a/mine.mock.yaml')
    assert mock_copy(Path('a/mine.mock.yaml')) == Path('a/mine.mock.yaml')
    both = {truth_beside(Path(name)) for name in ('mine.yaml', 'mine.mock.yaml')}
    assert both == {Path('mine.mock.robot.json')}


def test_the_grid_does_not_lie_exactly(bracken: CalibratedRobot) -> None:
    """It lies elsewhere after every placement, near to where it should, and always there."""
    frames = [ground_frame(bracken.robot, placement) for placement in range(20)]
    assert frames == [ground_frame(bracken.robot, placement) for placement in range(20)]
    assert len({each.position for each in frames}) == 20
    for frame in frames:
        x, y, z = frame.position
        assert max(abs(x), abs(y)) <= 0.01
        assert abs(z + 0.085) <= 0.005
        tilt = degrees(np.arccos(frame.rotation[2][2]))
        assert tilt <= 0.71  # by hand: 0.5 deg about two axes


# ---- the session


@pytest.fixture(scope='module')
def bench_leg() -> CalibratedRobot:
    """One leg, on one board."""
    return loaded('bench_leg')


def stepped(bench: DrivenLegs, condition: Callable[[], object]) -> None:
    """Step until something is true."""
    assert bench_session.step_until(bench, condition, PATIENCE), bench.condition()


def read_foot(bench: DrivenLegs, feet: MockFeet) -> Vector:
    """Wait until the foot rests, and read where it is."""
    stepped(bench, lambda: bench.stand(LEG) is not None)
    # The servos of the mock follow within a few periods of the pulse.
    last: list[Vector] = []

    def rests() -> bool:
        last.append(feet.foot(LEG))
        return len(last) > 10 and len(set(last[-10:])) == 1

    stepped(bench, rests)
    return last[-1]


def test_a_leg_on_the_mock(bench_leg: CalibratedRobot, tmp_path: Path) -> None:
    """Found, powered, moved, read by ruler, and released: the foot is where the truth has it.

    What the servos do is known by the pulses alone: within half of slack and dead band, at most
    0.5 deg and 2.5 us, of the angle that the truth has for them.
    """
    said = Console(file=io.StringIO(), width=200)
    file = tmp_path / 'robot.json'
    with (
        mock_feet(bench_leg, [LEG], file) as feet,
        legs_at(
            feet.servos.specs, bench_leg, [LEG], said, hold=False, store_limits=False, speed=2.0
        ) as bench,
    ):
        assert str(bench.condition()) == 'no leg has pulses'
        assert bench.power().success
        stepped(bench, lambda: bench.obeys)
        assert bench.go([{COXA: 0.3, FEMUR: 0.9}, {COXA: 0.2, TIBIA: -1.5}]).success
        foot = read_foot(bench, feet)
        stand = bench.stand(LEG)
        assert stand is not None
        assert stand.sides == (-1, -1, -1)
    assert boards_of(bench_leg, [LEG]) == ('main',)
    joints = (COXA, FEMUR, TIBIA)
    truth = TrueRobot.at(file, bench_leg.robot, ())
    coxa, femur, tibia = (
        radians(truth.servos[joint].angle(pulse))
        for joint, pulse in zip(joints, stand.pulses_us, strict=True)
    )
    expected = truth.legs[LEG].foot((coxa, femur, tibia))
    # By hand: 0.75 deg at three joints, of a leg that is 0.2 m long.
    assert dist(ground_frame(bench_leg.robot, 0).to_body(foot), expected) < 3 * radians(0.75) * 0.2
    assert 'no leg has pulses' in said.file.getvalue()  # type: ignore[attr-defined]


def test_a_board_that_is_not_there(
    bench_leg: CalibratedRobot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is told with what to look at, and nothing is left behind."""
    said = Console(file=io.StringIO(), width=200)
    where = f'main=framed:{tmp_path / "nothing"}'
    monkeypatch.setattr(bench_session, 'FOUND_WITHIN', 0.3)
    with (
        pytest.raises(BoardError, match='A port has one user'),
        legs_at([where], bench_leg, [LEG], said, hold=False, store_limits=False),
    ):
        pytest.fail('it was opened')
