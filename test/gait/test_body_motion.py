# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Pose and twist of `base_link`: the feet they carry stand still, and one is the other's rate."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from transforms3d.euler import euler2mat

from leg_kinematics.gait import BodyMotion, GaitParameters, GaitSample, Offset, Twist, Walker

Floats = NDArray[np.float64]

TICK = 0.01

COMMAND = Twist(0.05, -0.03, 0.2)


@pytest.fixture
def samples(standing_walker: Callable[[GaitParameters], Walker]) -> list[GaitSample]:
    """Walk an arc while the body goes from one tilted pose to another, then crouch."""
    walker = standing_walker(GaitParameters())
    taken = []
    for offset in (
        Offset((0.005, -0.004, 0.006), (0.06, -0.04, 0.08)),
        Offset((-0.004, 0.006, -0.005), (-0.05, 0.06, -0.07)),
    ):
        walker.offset_body(offset)
        taken += [walker.step(TICK, COMMAND) for _ in range(150)]
    walker.crouch()
    taken += [walker.step(TICK, COMMAND) for _ in range(500)]
    return taken


def rotation(motion: BodyMotion) -> Floats:
    """Turn vectors of `base_link` into `odom`; REP 103: fixed axes, roll, pitch, yaw."""
    turn: Floats = euler2mat(*motion.rpy, 'sxyz')
    return turn


def test_standing_feet_stand_still_in_odom(samples: list[GaitSample]) -> None:
    """Targets in `base_link`, carried by the pose, are at rest on the ground to 1e-9 m."""
    before = None
    stood = 0
    for sample in samples:
        motion = BodyMotion.of(sample)
        feet = np.array(sample.feet) @ rotation(motion).T + motion.position
        if before is not None:
            for now, then, standing, stood_before in zip(
                feet, before[0], sample.standing, before[1], strict=True
            ):
                if standing and stood_before:
                    stood += 1
                    assert now == pytest.approx(then, abs=1e-9)
                    assert now[2] == pytest.approx(0.0, abs=1e-9)
        before = feet, sample.standing
    assert stood > 1000


def test_the_twist_is_the_rate_of_the_pose(samples: list[GaitSample]) -> None:
    """By central differences over two ticks, whose error is that of the tick squared."""
    assert max(abs(BodyMotion.of(sample).angular[0]) for sample in samples) > 0.05
    assert max(abs(BodyMotion.of(sample).linear[2]) for sample in samples) > 0.01
    for before, sample, after in zip(samples, samples[1:], samples[2:], strict=False):
        if before.twist != after.twist:
            continue
        earlier, now, later = (BodyMotion.of(each) for each in (before, sample, after))
        turn = rotation(now)
        speed = np.subtract(later.position, earlier.position) / (2.0 * TICK)
        np.testing.assert_allclose(turn.T @ speed, now.linear, atol=2e-4)
        spin = turn.T @ (rotation(later) - rotation(earlier)) / (2.0 * TICK)
        np.testing.assert_allclose((spin[2, 1], spin[0, 2], spin[1, 0]), now.angular, atol=2e-3)
