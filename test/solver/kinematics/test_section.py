# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Sections against areas known by hand, volumes, and the scalar solver."""

from math import inf, pi
from pathlib import Path

import numpy as np
import pytest

from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.robot import Mount, Robot, load_robot
from leg_kinematics.solver import (
    LegGeometry,
    LegReach,
    LegSolver,
    MountTransform,
    common_ground,
    leg_solvers,
    level_section,
    side_section,
)

BRACKEN = Path(__file__).parents[3] / 'config' / 'robots' / 'bracken.yaml'

EVERYWHERE = ((-inf, inf), (-inf, inf), (-inf, inf))
FREE = LegSolver(
    'leg',
    ('leg_coxa', 'leg_femur', 'leg_tibia'),
    LegGeometry(0.0, 0.06, 0.10),
    MountTransform.of(Mount((0.1, 0.05, 0.02), (0.0, 0.0, 0.4))),
    EVERYWHERE,
    ((-1.0, 0.6), (-inf, inf), (-inf, inf)),
)


@pytest.fixture(scope='module')
def robot() -> Robot:
    """Load the example robot."""
    return load_robot(BRACKEN)


def test_side_of_a_leg_without_limits_is_half_a_ring() -> None:
    """Femur 60, tibia 100 mm: half the ring between 40 and 160 mm (by hand), to 1 %."""
    section = side_section(FREE, 1e-3)
    assert section.area == pytest.approx(0.5 * pi * (0.16**2 - 0.04**2), rel=0.01)


@pytest.mark.parametrize('above', [0.0, 0.03, -0.1])
def test_level_of_a_leg_without_limits_is_a_sector_of_a_ring(above: float) -> None:
    """A coxa of 1.6 rad, at any height over the mount: sector of a ring (by hand), to 1 %."""
    section = level_section(FREE, 0.02 + above, 1e-3)
    outer, inner = 0.16**2 - above**2, max(0.0, 0.04**2 - above**2)
    assert section.area == pytest.approx(0.5 * 1.6 * (outer - inner), rel=0.01)


def test_level_sections_add_up_to_the_volume(robot: Robot) -> None:
    """Slices of 4 mm through the whole reach of a leg of bracken sum to its volume, to 1 %."""
    leg = leg_solvers(robot)[3]
    slices = [level_section(leg, z, 3e-3).area for z in np.arange(-0.2, 0.2, 4e-3)]
    assert 4e-3 * sum(slices) == pytest.approx(LegReach(leg).volume, rel=0.01)


def test_common_ground_is_where_every_leg_can_stand(robot: Robot) -> None:
    """Each displacement is one that the scalar solver accepts for all feet, and no other."""
    legs, feet = leg_solvers(robot), robot.standing.feet
    section = common_ground(legs, feet, 0.085, 0.02)
    for row, dy in enumerate(section.along.tolist()):
        for column, dx in enumerate(section.across.tolist()):
            try:
                for leg, foot in zip(legs, feet, strict=True):
                    leg.angles((foot[0] + dx, foot[1] + dy, -0.085))
            except LegKinematicsError:
                assert not section.reached[row, column]
            else:
                assert section.reached[row, column]
    middle = np.argmin(np.abs(section.along)), np.argmin(np.abs(section.across))
    assert section.reached[middle]


def test_no_common_ground_below_the_reach(robot: Robot) -> None:
    """A body higher than the legs are long has none."""
    section = common_ground(leg_solvers(robot), robot.standing.feet, 0.25, 0.01)
    assert section.area == 0.0
