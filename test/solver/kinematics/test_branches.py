# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""All four inverse branches against `eaik`, which decomposes the arm into subproblems.

Outside source: EAIK 1.2, "Toolbox for Efficient Analytical Inverse Kinematics". It solves arms
with six joints, so that the leg gets a spherical wrist of no length at its foot; a solution for
any orientation of that wrist is one of the leg.
"""

import numpy as np
import pytest
from eaik.IK_HP import HPRobot
from numpy.typing import NDArray

from leg_kinematics.solver import LegGeometry, forward_batch, inverse_batch

Floats = NDArray[np.float64]

LEGS = [
    LegGeometry(0.05, 0.10, 0.15),
    LegGeometry(0.032, 0.068, 0.104),
    LegGeometry(0.03, 0.08, 0.08),
    LegGeometry(0.02, 0.12, 0.07),
]


def with_wrist(geometry: LegGeometry) -> HPRobot:
    """Describe the leg by its axes and the offsets between them, and add a wrist of three."""
    axes = [(0, 0, 1), (0, -1, 0), (0, -1, 0), (1, 0, 0), (0, 1, 0), (1, 0, 0)]
    lengths = [0.0, geometry.coxa, geometry.femur, geometry.tibia, 0.0, 0.0, 0.0]
    return HPRobot(np.array(axes, float), np.array([(length, 0.0, 0.0) for length in lengths]))


def branches_of_eaik(arm: HPRobot, pose: Floats) -> Floats:
    """Angles of coxa, femur, tibia of each exact solution; the wrist has two for each."""
    solution = arm.IK(pose)
    exact: Floats = np.array(solution.Q)[~np.array(solution.is_LS)][:, :3]
    return exact


def our_branches(geometry: LegGeometry, foot: Floats) -> Floats:
    """Angles of every branch that reaches the foot."""
    found = np.concatenate(
        [inverse_batch(geometry, foot, in_front=in_front)[:, 0] for in_front in (True, False)]
    )
    reached: Floats = found[~np.isnan(found[:, 0])]
    return reached


def distances(ours: Floats, theirs: Floats) -> Floats:
    """Largest difference of the angles of each pair, whole turns aside, rad."""
    apart = ours[:, np.newaxis] - theirs
    apart -= 2.0 * np.pi * np.round(apart / (2.0 * np.pi))
    largest: Floats = np.abs(apart).max(axis=-1)
    return largest


@pytest.mark.parametrize('geometry', LEGS)
def test_finds_every_branch_that_eaik_finds_and_no_other(geometry: LegGeometry) -> None:
    """Random feet: two, or with the ones behind the coxa axis four, the same to 1e-9 rad."""
    arm = with_wrist(geometry)
    rng = np.random.default_rng(17)
    postures = rng.uniform(-3.0, 3.0, (2000, 3))
    regular = np.abs(np.sin(postures[:, 2])) > 0.1
    counts = set()
    for q in postures[regular]:
        pose = arm.fwdKin(np.concatenate((q, rng.uniform(0.5, 1.0, 3))))
        foot = forward_batch(geometry, q[np.newaxis])
        np.testing.assert_allclose(pose[:3, 3], foot[0], rtol=0, atol=1e-15)
        ours, theirs = our_branches(geometry, foot), branches_of_eaik(arm, pose)
        apart = distances(ours, theirs)
        assert apart.min(axis=1).max() < 1e-9
        assert apart.min(axis=0).max() < 1e-9
        counts.add(len(ours))
    assert counts == {2, 4}
