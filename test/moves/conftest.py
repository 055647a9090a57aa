# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The example robot, a planner for it, and files with sequences."""

from collections.abc import Callable
from pathlib import Path

import pytest

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.moves.plan import Plan, Planner, StepError
from leg_kinematics.moves.sequence import load_sequence

CONFIG = Path(__file__).parents[2] / 'config'


@pytest.fixture(scope='session')
def calibrated() -> CalibratedRobot:
    """Return the example robot with its servo maps."""
    return CalibratedRobot.load(
        CONFIG / 'robots' / 'bracken.yaml', CONFIG / 'servo_maps' / 'bracken.yaml'
    )


@pytest.fixture(scope='session')
def speeds(calibrated: CalibratedRobot) -> dict[str, float]:
    """Return half the speed of its servos, rad/s, by joint."""
    return {
        joint: 0.5 * link.servo.speed
        for leg in calibrated.robot.legs
        for joint, link in zip(leg.joints, leg.links, strict=True)
    }


@pytest.fixture(scope='session')
def planner(calibrated: CalibratedRobot, speeds: dict[str, float]) -> Planner:
    """Return a planner that holds feet within half a millimetre of their lines."""
    return Planner(calibrated.robot, calibrated.legs, tolerance=5e-4, speeds=speeds)


@pytest.fixture
def do(planner: Planner, calibrated: CalibratedRobot) -> Callable[[Path], Plan]:
    """Return a function that plans what is in a file, from where the feet rest."""

    def plan_file(file: Path) -> Plan:
        sequence = load_sequence(file)
        try:
            return planner.plan(sequence.steps, calibrated.robot.resting.feet)
        except StepError as error:
            raise sequence.error(error) from error

    return plan_file


@pytest.fixture
def write(tmp_path: Path) -> Callable[[str], Path]:
    """Return a function that writes a file with a sequence."""

    def write_file(text: str) -> Path:
        file = tmp_path / 'sequence.yaml'
        file.write_text(text, encoding='utf-8')
        return file

    return write_file
