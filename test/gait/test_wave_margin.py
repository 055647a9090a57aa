# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The longitudinal margin of the walk that the walker walks, over the family."""

from collections.abc import Callable

import pytest

from leg_kinematics.gait import GaitParameters, GaitSample, Twist, Walker
from leg_kinematics.robot import Robot
from leg_kinematics.solver import leg_solvers

#: A tick divides the cycle so finely that the foot moves little in it.
TICKS_A_CYCLE = 360


def longitudinal_margin(sample: GaitSample, pairs: int) -> float:
    """Distance along x from the middle to the nearer end of the support polygon, m.

    Both rows of feet are as far from the middle, so that each edge between them crosses it half
    way.
    """
    ends = []
    for side in (slice(0, pairs), slice(pairs, 2 * pairs)):
        places = [
            foot[0]
            for foot, stands in zip(sample.feet[side], sample.standing[side], strict=True)
            if stands
        ]
        ends.append((max(places), min(places)))
    (left_front, left_rear), (right_front, right_rear) = ends
    return min((left_front + right_front) / 2.0, -(left_rear + right_rear) / 2.0)


#: With three feet on the ground at every instant.
WALKS = [
    (pairs, duty)
    for pairs in (2, 3, 4, 5)
    for duty in (1 / 2, 2 / 3, 3 / 4, 5 / 6)
    if pairs * duty >= 1.5
]


@pytest.mark.parametrize(('pairs', 'duty'), WALKS)
@pytest.mark.parametrize('stroke', [0.02, 0.05])
@pytest.mark.parametrize('pitch', [0.11, 0.14])
def test_margin_of_the_walk_follows_the_published_formula(
    make_straight_robot: Callable[[int, float], Robot],
    pairs: int,
    duty: float,
    stroke: float,
    pitch: float,
) -> None:
    """S = (n/2 - 1) P + (1 - 3/(4 beta)) R, for R <= beta P / (3 beta - 2).

    Song and Waldron, Machines That Walk, MIT Press 1989 (formula from memory, confirmed by brute
    force).
    """
    assert stroke * (3.0 * duty - 2.0) <= duty * pitch
    robot = make_straight_robot(pairs, pitch)
    swing_time = 0.5
    period = swing_time / (1.0 - duty)
    speed = stroke / (duty * period)
    parameters = GaitParameters(
        swing_time=swing_time,
        duty_factor=duty,
        acceleration=1.0,
        speed_share=10.0,
        min_margin=-1.0,
    )
    walker = Walker(robot, leg_solvers(robot), parameters, robot.standing.feet)
    walker.stand()
    dt = period / TICKS_A_CYCLE
    for _ in range(3 * TICKS_A_CYCLE):
        walker.step(dt, Twist(speed))
    samples = [walker.step(dt, Twist(speed)) for _ in range(TICKS_A_CYCLE)]
    assert samples[-1].twist == Twist(speed)
    least = min(longitudinal_margin(sample, pairs) for sample in samples)
    formula = (0.5 * pairs - 1.0) * pitch + (1.0 - 0.75 / duty) * stroke
    # A tick sees the event up to dt late, when a foot has already moved on by that much.
    assert formula - 1e-9 <= least <= formula + speed * dt
