# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Ticks that come late, and at once after another, to the three stages in one process."""

from collections.abc import Sequence
from itertools import combinations
from math import dist

import pytest

from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.driving import DrivingParameters
from leg_kinematics.chain.lockstep import LockStep, LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.gait import GaitParameters, Twist
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import leg_solvers

#: What is higher above the lowest foot is in the air, m.
ON_GROUND = 3e-4

#: By which standing feet may come nearer or farther from each other, m.
WORST_DRAG = 1e-3

#: When the timer of a node that makes up for its ticks calls, in ticks.
LATENESS = {
    'two at once': (1.0, 2.0, 3.1, 3.13, 4.0, 5.0),
    'three at once': (1.0, 3.05, 3.08, 3.1, 4.0),
    'one and a half': (1.0, 2.0, 3.5, 4.0, 5.0),
    'away for long': (1.0, 12.2, 12.23, 13.0),
    'hung': (1.0, 42.0, 42.03, 43.0),
    'jitter': (1.0, 2.4, 3.02, 4.4, 5.0, 6.0),
}


@pytest.mark.parametrize('lateness', LATENESS)
def test_no_standing_foot_is_dragged(
    bracken: Robot, bracken_maps: ServoMaps, lateness: str
) -> None:
    """While it stands up and walks; the joints never leave the stream that they are led along."""
    life = LockStep(
        bracken,
        bracken_maps,
        LockStepParameters(
            gait=GaitParameters(stand_time=0.8), driving=DrivingParameters(enable_interval=0.0)
        ),
    )
    legs = leg_solvers(bracken, {each.joint: each.angle_range for each in bracken_maps.maps})
    life.driving.configure()
    life.run(0.1)
    life.driving.activate()
    life.run_until(lambda: life.driving.state is PowerState.FOLLOWING)
    life.run_until(lambda: life.walking.stand(life.now).success)
    now, tick = life.now, life.tick
    drag = Drag()
    for _ in range(150):
        for ticks in LATENESS[lateness]:
            at = now + ticks * tick
            life.lines['main'].advance(at)
            life.boards.step()
            life.walking.command(Twist(x=0.08, yaw=0.2), at)
            life.chain.step(at)
            q = life.driving.positions
            drag.see(
                [leg.foot((q[3 * i], q[3 * i + 1], q[3 * i + 2])) for i, leg in enumerate(legs)]
            )
        now += LATENESS[lateness][-1] * tick
    assert drag.worst < WORST_DRAG


class Drag:
    """How far two standing feet have come nearer or farther from each other while they stood."""

    def __init__(self) -> None:
        """Have seen nothing."""
        self.worst = 0.0
        self._apart: dict[tuple[int, int], float] = {}

    def see(self, feet: Sequence[Vector]) -> None:
        """Take in where the feet are now, m."""
        lowest = min(z for _, _, z in feet)
        standing = [i for i, (_, _, z) in enumerate(feet) if z <= lowest + ON_GROUND]
        apart = {
            (i, j): self._apart.get((i, j), dist(feet[i], feet[j]))
            for i, j in combinations(standing, 2)
        }
        for (i, j), at_first in apart.items():
            self.worst = max(self.worst, abs(dist(feet[i], feet[j]) - at_first))
        self._apart = apart
