# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The discs in which the feet may stray."""

from collections.abc import Sequence
from math import cos, dist, sin, tau

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.errors import JointLimitError, ReachError
from leg_kinematics.gait.workspace import stride_radii
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, ManyLegs

LIFT = 0.03


@pytest.fixture(scope='module')
def radii(bracken: Robot, bracken_legs: tuple[LegSolver, ...]) -> list[float]:
    """Of the standing posture."""
    return radii_around(bracken_legs, bracken.standing.feet)


def radii_around(legs: Sequence[LegSolver], feet: Sequence[Vector]) -> list[float]:
    """Of feet that stand at given points, m."""
    found: list[float] = stride_radii(ManyLegs.of(legs), np.array(feet), LIFT)[0].tolist()
    return found


@given(at=st.tuples(st.integers(0, 5), st.floats(0.0, tau), st.floats(0.0, 0.999)))
def test_whole_disc_can_be_reached(
    bracken_legs: tuple[LegSolver, ...],
    bracken: Robot,
    radii: list[float],
    at: tuple[int, float, float],
) -> None:
    """Every point of the disc, not only of its rim, on the ground and lifted."""
    leg, angle, share = at
    x, y, z = bracken.standing.feet[leg]
    u, v = x + share * radii[leg] * cos(angle), y + share * radii[leg] * sin(angle)
    for height in (z, z + 0.5 * LIFT, z + LIFT):
        bracken_legs[leg].angles((u, v, height))


def test_discs_are_as_large_as_the_leg_allows(
    bracken_legs: tuple[LegSolver, ...], bracken: Robot, radii: list[float]
) -> None:
    """A hundredth beyond the rim a joint limit or the reach is met, somewhere around the foot."""
    for leg, (x, y, z), radius in zip(bracken_legs, bracken.standing.feet, radii, strict=True):
        beyond = [
            (x + 1.01 * radius * cos(k * tau / 360), y + 1.01 * radius * sin(k * tau / 360))
            for k in range(360)
        ]
        assert not all(
            reachable(leg, (u, v, height)) for u, v in beyond for height in (z, z + LIFT)
        )


def reachable(leg: LegSolver, foot: Vector) -> bool:
    """Tell whether the leg has an answer."""
    try:
        leg.angles(foot)
    except (JointLimitError, ReachError):
        return False
    return True


def test_discs_of_neighbours_do_not_meet(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """Feet brought near each other share the space between them."""
    front, middle, *others = bracken.standing.feet
    feet = [(0.115, 0.185, front[2]), (0.06, 0.2, middle[2]), *others]
    between = dist(feet[0], feet[1])
    radii = radii_around(bracken_legs, feet)
    for one in range(6):
        for other in range(one):
            assert radii[one] + radii[other] < dist(feet[one], feet[other])
    assert 0.0 < radii[0] <= 0.45 * between
