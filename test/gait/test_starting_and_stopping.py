# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The first and the last step, and standing still."""

from collections.abc import Callable, Sequence
from math import hypot

import pytest

from leg_kinematics.gait import GaitParameters, GaitSample, GaitState, Twist, Walker
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver

DT = 0.01


def steps(samples: Sequence[GaitSample], leg: int) -> list[float]:
    """Lengths of the steps of a leg in the world, m."""
    lengths: list[float] = []
    place: tuple[float, float] | None = None
    for sample in samples:
        if sample.standing[leg]:
            here = sample.pose.place(sample.feet[leg][:2])
            if place is not None and hypot(here[0] - place[0], here[1] - place[1]) > 1e-6:
                lengths.append(hypot(here[0] - place[0], here[1] - place[1]))
            place = here
    return lengths


@pytest.mark.parametrize('duty_factor', [1 / 2, 2 / 3, 5 / 6])
def test_first_and_last_steps_are_shorter(
    standing_walker: Callable[[GaitParameters], Walker], duty_factor: float
) -> None:
    """Of every leg; in between each is as long as the way of the body in a cycle."""
    parameters = GaitParameters(duty_factor=duty_factor)
    walker = standing_walker(parameters)
    speed, period = 0.02, parameters.swing_time / (1.0 - duty_factor)
    samples = [walker.step(DT, Twist())]
    samples += [walker.step(DT, Twist(speed)) for _ in range(1500)]
    samples += [walker.step(DT, Twist()) for _ in range(1000)]
    assert samples[-1].state is GaitState.STANDING
    for leg in range(6):
        first, *_, middle, _, last = steps(samples, leg)
        assert middle == pytest.approx(speed * period, abs=1e-6)
        assert first < 0.98 * middle
        assert last < 0.95 * middle


@pytest.mark.parametrize(
    'minutes', [1, pytest.param(60, marks=[pytest.mark.soak, pytest.mark.timeout(600)])]
)
def test_standing_still_is_still(
    standing_walker: Callable[[GaitParameters], Walker], minutes: int
) -> None:
    """After a walk no bit of anything changes."""
    walker = standing_walker(GaitParameters())
    for command in (Twist(0.05, 0.03, 0.2), Twist()):
        for _ in range(400):
            walker.step(DT, command)
    first = walker.step(DT, Twist())
    for _ in range(round(60 * minutes / DT)):
        assert walker.step(DT, Twist()) == first


def test_reach_lets_the_body_speed_up_as_far_as_it_may(
    bracken: Robot, bracken_legs: tuple[LegSolver, ...]
) -> None:
    """Where a standing foot binds, a tick uses what is left: the foot ends at its rim.

    Turned round at once with long swings and hard acceleration, feet stand where they bind.
    """
    parameters = GaitParameters(
        swing_time=1.2, acceleration=1.0, yaw_acceleration=5.0, max_speed=0.3, speed_share=10.0
    )
    walker = Walker(bracken, bracken_legs, parameters, bracken.standing.feet)
    walker.stand()
    bound = 0
    before = walker.step(DT, Twist())
    for tick in range(3000):
        # A turn comes every 0.7 s, out of step with the cycle of 2.4 s.
        command = Twist(0.03, 0.0075, 0.06) if tick // 70 % 2 else Twist(-0.03, 0.015, -0.045)
        sample = walker.step(DT, command)
        # The first steps are shorter yet.
        if tick > 300 and sample.limit == 'reach of a standing foot':
            change = hypot(sample.twist.x - before.twist.x, sample.twist.y - before.twist.y)
            if change > 1e-5:
                assert change < parameters.acceleration * DT
                farthest = max(_ends(walker, sample))
                assert farthest <= 1.0 + 1e-9
                # Or a foot binds that is about to land.
                bound += farthest > 0.999
        before = sample
    assert bound > 10


def _ends(walker: Walker, sample: GaitSample) -> list[float]:
    """How far from its neutral point each standing foot will be when it lifts, of its radius."""
    assert sample.phase is not None
    ends = []
    for leg, stands in enumerate(sample.standing):
        if stands:
            # Tripod: the left front, the left rear and the right middle leg lift at 1/2.
            liftoff = 0.5 if leg in {0, 2, 4} else 1.0
            time = ((liftoff - sample.phase) % 1.0) * 2.4
            x, y = sample.twist.over(time).locate(sample.feet[leg][:2])
            neutral = walker.neutral[leg]
            ends.append(hypot(x - neutral[0], y - neutral[1]) / walker.radii[leg])
    return ends
