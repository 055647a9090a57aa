# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Reach, angles and rates of many legs at once, against the inverse kinematics foot by foot."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from transforms3d.euler import euler2mat

from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver import LegSolver, ManyLegs, leg_solvers

Floats = NDArray[np.float64]

HERE = Path(__file__).parent
FILES = (
    HERE.parents[2] / 'config' / 'robots' / 'bracken.yaml',
    HERE / 'robots' / 'sorrel.yaml',
    HERE / 'robots' / 'tansy.yaml',
)

COUNT = 400


@pytest.fixture(scope='module', params=FILES, ids=lambda path: path.stem)
def robot(request: pytest.FixtureRequest) -> Robot:
    """Six, four and eight legs, mounted in many ways."""
    return load_robot(request.param)


@pytest.fixture(scope='module')
def feet(robot: Robot) -> Floats:
    """Scattered around the feet of the standing posture, in reach and beyond."""
    scatter = np.random.default_rng(1).uniform(-0.15, 0.15, (len(robot.legs), 3, COUNT))
    around: Floats = np.array(robot.standing.feet)[:, :, None] + scatter
    return around


def angles_of(leg: LegSolver, foot: Floats) -> tuple[float, ...]:
    """Angles by the scalar inverse; not numbers where it refuses."""
    x, y, z = foot.tolist()
    try:
        return leg.angles((x, y, z))
    except LegKinematicsError:
        return (np.nan,) * 3


def test_angles_and_reach_are_those_of_the_inverse(robot: Robot, feet: Floats) -> None:
    """Foot by foot; some are out of reach, some beyond a limit, some fine."""
    legs = leg_solvers(robot)
    expected = np.array(
        [[angles_of(leg, foot) for foot in row.T] for leg, row in zip(legs, feet, strict=True)]
    )
    many = ManyLegs.of(legs)
    reached = many.reached(feet)
    assert 0.1 < reached.mean() < 0.9
    assert (reached == ~np.isnan(expected[..., 0])).all()
    np.testing.assert_allclose(many.angles(feet), expected.transpose(2, 0, 1), atol=1e-9)


def test_rates_are_differences_of_the_inverse(robot: Robot, feet: Floats) -> None:
    """Central differences of the angles of moving feet; infinite where there are no angles."""
    many = ManyLegs.of(leg_solvers(robot))
    velocities = np.random.default_rng(2).uniform(-0.3, 0.3, feet.shape)
    step = 1e-6
    after, before = (many.angles(feet + sign * step * velocities) for sign in (1.0, -1.0))
    rates = many.rates(feet, velocities)
    assert (np.isinf(rates).all(axis=0) == ~many.reached(feet)).all()
    # Not next to an edge, where the rates have no bound, nor where the coxa passes behind.
    usual = (np.abs(rates) < 30.0).all(axis=0) & np.isfinite(after - before).all(axis=0)
    assert usual.mean() > 0.1
    expected = (after - before) / (2.0 * step)
    np.testing.assert_allclose(rates[:, usual], expected[:, usual], rtol=1e-4, atol=1e-4)


def test_limits_all_round_do_not_bind() -> None:
    """A joint that may turn by half a turn each way is never beyond its limits."""
    robot = load_robot(FILES[0])
    free = [
        LegSolver(
            leg.name, leg.joints, leg.geometry, leg.mount, ((-4.0, 4.0),) * 3, ((-4.0, 4.0),) * 3
        )
        for leg in leg_solvers(robot)
    ]
    all_round = np.linspace(-np.pi, np.pi, 73)
    ring = 0.1 * np.array((np.cos(all_round), np.sin(all_round), np.zeros(73)))
    mounts = np.array([leg.mount.position for leg in free])
    assert ManyLegs.of(free).reached(mounts[:, :, None] + ring).all()


def test_moved_legs_are_those_of_another_frame(robot: Robot, feet: Floats) -> None:
    """Feet and legs turned and shifted together give the same angles (turned by transforms3d)."""
    many = ManyLegs.of(leg_solvers(robot))
    turn, shift = euler2mat(0.3, -0.2, 1.1, 'sxyz'), np.array((0.4, -0.1, 0.2))
    moved = turn @ feet + shift[:, np.newaxis]
    np.testing.assert_allclose(
        many.moved(turn[np.newaxis], shift[np.newaxis]).angles(moved), many.angles(feet), atol=1e-8
    )


def test_rows_can_be_taken_in_any_order(robot: Robot, feet: Floats) -> None:
    """A row that is taken twice is there twice."""
    many = ManyLegs.of(leg_solvers(robot))
    rows = np.array((2, 0, 2))
    expected = many.reached(feet)[rows]
    assert (many.take(rows).reached(feet[rows]) == expected).all()
    assert len(many.take(rows)) == 3
