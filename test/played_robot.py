# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A robot in lock step whose feet are moved by a plan, and what must hold in every tick of it."""

from dataclasses import dataclass, field
from math import dist

from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.lockstep import LockStep, LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.gait import GaitParameters
from leg_kinematics.moves.paths import Feet
from leg_kinematics.moves.plan import Plan, Planner
from leg_kinematics.moves.playing import Playing, PlayState
from leg_kinematics.robot import Robot
from leg_kinematics.solver import leg_solvers

#: Ticks a second.
RATE = 100.0

#: How far targets reach ahead, s, as over a line.
PREVIEW = 0.07

#: What a planned move asks of a servo, as a share of its no-load speed.
SPEED_SHARE = 0.5

TOLERANCE = 5e-4


@dataclass
class PlayedRobot:
    """A robot with its servos powered, at rest.

    Attributes
    ----------
    life
        In lock step.
    playing, plan
        What is played; None before.

    """

    robot: Robot
    maps: ServoMaps
    playing: Playing | None = None
    life: LockStep = field(init=False)
    plan: Plan = field(init=False)

    def __post_init__(self) -> None:
        """Bring it up."""
        parameters = LockStepParameters(gait=GaitParameters(min_margin=-1.0))
        self.life = LockStep(self.robot, self.maps, parameters)
        self.legs = leg_solvers(
            self.robot, {each.joint: each.angle_range for each in self.maps.maps}
        )
        self.speeds = {
            joint: SPEED_SHARE * link.servo.speed
            for leg in self.robot.legs
            for joint, link in zip(leg.joints, leg.links, strict=True)
        }
        life = self.life
        life.driving.configure()
        life.run_until(lambda: life.driving.status.found)
        life.driving.activate()
        life.run_until(lambda: life.driving.state is PowerState.FOLLOWING)

    @property
    def planner(self) -> Planner:
        """Plans for it."""
        return Planner(self.robot, self.legs, tolerance=TOLERANCE, speeds=self.speeds)

    @property
    def feet(self) -> Feet:
        """Where the joints as commanded have the feet, in `base_link`, m."""
        return self._feet(self.life.driving.positions)

    @property
    def feet_by_pulses(self) -> Feet:
        """Where the pulses that the boards put out have the feet, in `base_link`, m."""
        pulses = {board: self.life.pulses_us(board) for board in self.maps.boards}
        return self._feet([each.angle(pulses[each.board][each.channel]) for each in self.maps.maps])

    def _feet(self, angles: tuple[float, ...] | list[float]) -> Feet:
        return tuple(
            leg.foot((angles[3 * index], angles[3 * index + 1], angles[3 * index + 2]))
            for index, leg in enumerate(self.legs)
        )

    def take(self, plan: Plan, again: Plan | None = None) -> Playing:
        """Have a plan at hand; nothing is played yet."""
        self.plan = plan
        self.playing = Playing(plan, self.robot.leg_names, rate=RATE, preview=PREVIEW, again=again)
        self.playing.hear(self.life.driving.report(), self.life.now)
        return self.playing

    def step(self) -> None:
        """Go on by a tick."""
        life, playing = self.life, self.playing
        if playing is not None:
            playing.hear(life.driving.report(), life.now)
            targets = playing.step(life.now, 0)
            if targets is not None:
                solved = life.chain.pass_on(targets, life.now)
                assert solved is not None, (
                    life.chain.solving.condition(),
                    life.driving.condition(),
                )
        life.step()

    def run(self, ticks: int) -> None:
        """Go on by so many ticks."""
        for _ in range(ticks):
            self.step()

    def play(self, plan: Plan) -> None:
        """Play a plan to its end, as fast as it says."""
        playing = self.take(plan)
        assert playing.play(self.life.now).success
        patience = round(RATE * (plan.duration + 2.0))
        for _ in range(patience):
            if playing.state is not PlayState.PLAYING:
                break
            self.step()
        # What has been sent has arrived when the boards have taken it, a tick later.
        self.step()
        assert playing.state is PlayState.FINISHED, playing.condition()


def farthest(feet: Feet, others: Feet) -> float:
    """Largest distance of a foot from another's, m."""
    return max(dist(foot, other) for foot, other in zip(feet, others, strict=True))
