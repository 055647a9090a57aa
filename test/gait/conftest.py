# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The robot that walks in these tests."""

from collections.abc import Callable
from pathlib import Path

import pytest

from leg_kinematics.gait import GaitParameters, GaitState, Twist, Walker
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver import LegSolver, leg_solvers

BRACKEN = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'


@pytest.fixture(scope='session')
def bracken() -> Robot:
    """Six legs, 2 kg."""
    return load_robot(BRACKEN)


@pytest.fixture(scope='session')
def bracken_legs(bracken: Robot) -> tuple[LegSolver, ...]:
    """Inverse kinematics of its legs."""
    return leg_solvers(bracken)


@pytest.fixture(scope='session')
def standing_walker(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> Callable[[GaitParameters], Walker]:
    """Make walkers that have just stood up."""

    def make(parameters: GaitParameters) -> Walker:
        walker = Walker(bracken, bracken_legs, parameters, bracken.resting.feet)
        walker.stand()
        # The feet of the resting posture are in their places: one tick of a whole rise is enough.
        walker.step(parameters.rise_time, Twist())
        assert walker.state is GaitState.STANDING
        return walker

    return make
