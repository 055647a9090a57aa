# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The example robot for the stages of the chain, which take their instants as arguments."""

from pathlib import Path

import pytest

from leg_kinematics.calibration import ServoMaps, load_servo_maps
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver import LegSolver, leg_solvers

CONFIG = Path(__file__).parents[2] / 'config'


@pytest.fixture(scope='session')
def bracken() -> Robot:
    """Return the example robot."""
    return load_robot(CONFIG / 'robots' / 'bracken.yaml')


@pytest.fixture(scope='session')
def servo_maps(bracken: Robot) -> ServoMaps:
    """Return its servo maps."""
    return load_servo_maps(CONFIG / 'servo_maps' / 'bracken.yaml', bracken)


@pytest.fixture(scope='session')
def bracken_legs(bracken: Robot, servo_maps: ServoMaps) -> tuple[LegSolver, ...]:
    """Solve its legs within the ranges of its servo maps."""
    return leg_solvers(bracken, {each.joint: each.angle_range for each in servo_maps.maps})
