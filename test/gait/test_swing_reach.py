# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The fastest steady walk that the stride discs allow keeps swinging feet in reach as well."""

import pytest

from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.gait import GaitParameters, Twist, Walker
from leg_kinematics.gait.swing import swing_overshoot
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver

SLOW = 2.0
"""s; with so long a period the discs bind before the speed."""


def test_overshoot_by_hand() -> None:
    """Half way the law is at 1/2; the least of h(u) - u/2 is where h' = 30 u²(1-u)² = 1/2.

    By hand: u(1-u) = sqrt(1/60), so u = (1 - sqrt(1 - 4/sqrt(60)))/2 = 0.152342.
    """
    u = 0.5 * (1.0 - (1.0 - 4.0 / 60.0**0.5) ** 0.5)
    law = 10.0 * u**3 - 15.0 * u**4 + 6.0 * u**5
    assert swing_overshoot(0.5) == pytest.approx(1.0 + 4.0 * (0.5 * u - law), abs=1e-4)


@pytest.mark.parametrize('duty_factor', [1 / 2, 2 / 3, 5 / 6])
@pytest.mark.parametrize('twist', [Twist(x=0.3), Twist(y=0.3), Twist(0.2, 0.2), Twist(yaw=0.6)])
def test_no_foot_leaves_its_reach(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...], duty_factor: float, twist: Twist
) -> None:
    """Every target of ten cycles can be taken, and the limit is named when a disc binds."""
    parameters = GaitParameters(
        swing_time=SLOW * (1.0 - duty_factor),
        duty_factor=duty_factor,
        max_speed=0.5,
        speed_share=10.0,
    )
    walker = Walker(bracken, bracken_legs, parameters, bracken.standing.feet)
    walker.stand()
    limits = set()
    refused: list[str] = []
    for _ in range(2300):
        sample = walker.step(0.01, twist)
        limits.add(sample.limit)
        for leg, foot in zip(bracken_legs, sample.feet, strict=True):
            try:
                leg.angles(foot)
            except LegKinematicsError as error:
                refused.append(str(error))
    assert not refused
    if twist.speed:
        assert any('stride radius' in limit for limit in limits)
