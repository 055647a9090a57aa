# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Bracken, its legs within the ranges of its servo maps, and walkers that stand."""

from collections.abc import Callable
from pathlib import Path

import pytest

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.gait import GaitParameters, GaitState, Twist, Walker
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver import LegSolver, leg_solvers

CONFIG = Path(__file__).parents[2] / 'config'

TICK = 0.01


@pytest.fixture(scope='session')
def bracken() -> Robot:
    """Six legs, 2 kg."""
    return load_robot(CONFIG / 'robots' / 'bracken.yaml')


@pytest.fixture(scope='session')
def bracken_legs(bracken: Robot) -> tuple[LegSolver, ...]:
    """Solve its legs within limits and servo maps."""
    maps = load_servo_maps(CONFIG / 'servo_maps' / 'bracken.yaml', bracken)
    return leg_solvers(bracken, {each.joint: each.angle_range for each in maps.maps})


@pytest.fixture(scope='session')
def stand_up(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> Callable[[GaitParameters], Walker]:
    """Make walkers that have just stood up."""

    def make(parameters: GaitParameters) -> Walker:
        walker = Walker(bracken, bracken_legs, parameters, bracken.resting.feet)
        walker.stand()
        while walker.state is not GaitState.STANDING:
            walker.step(TICK, Twist())
        return walker

    return make
