# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The three stages in one process: values are handed on directly, in the same tick."""

from dataclasses import dataclass

from leg_kinematics.chain.driving import Driving
from leg_kinematics.chain.solving import Solving
from leg_kinematics.chain.values import FootTargets, JointTargets, Walked
from leg_kinematics.chain.walking import Walking
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.robot import Vector


@dataclass(frozen=True, slots=True)
class ChainStep:
    """What passed through the chain in a step, for whoever listens.

    Attributes
    ----------
    walked
        Of the gait; None while it has not taken the robot over.
    joints
        None where there were no foot targets, or they were refused.
    feet
        Where the feet are, by the joints as commanded, m; None while that is not known.

    """

    walked: Walked | None
    joints: JointTargets | None
    feet: tuple[Vector, ...] | None


class Chain:
    """Walking, solving and driving, one after another in every tick.

    No preview is needed: a body velocity that has come by the tick is in its pulses.

    Parameters
    ----------
    walking, solving, driving
        The stages.

    Attributes
    ----------
    at
        Instant that the joints were advanced to, s.

    """

    def __init__(self, walking: Walking, solving: Solving, driving: Driving) -> None:
        """Take the stages as they are."""
        self.walking = walking
        self.solving = solving
        self.driving = driving
        self.at = -float('inf')
        walking.heed(driving.limits)
        solving.heed(driving.limits)

    def step(self, now: float, clock_offset: int = 0) -> ChainStep:
        """Advance all stages to an instant, s; the clock of the stamps shows so many ns more.

        While the robot walks they advance to the ideal instants of the ticks, however unevenly the
        calls come: otherwise the joints would have to go the same way in another time. A call that
        comes before its time changes nothing.
        """
        self.walking.hear(self.driving.report(), now)
        walked = self.walking.step(now, clock_offset)
        if walked is None and self.walking.walk is not None:
            return ChainStep(None, None, None)
        joints = None
        if walked is not None and walked.targets is not None:
            now = self.walking.at
            joints = self.pass_on(walked.targets, now, at_once=True)
        if now > self.at:
            self.at = now
            self.driving.step(now)
        feet = None
        if self.driving.located:
            feet = self.solving.locate(self.driving.positions)
            self.walking.locate(feet, now)
        return ChainStep(walked, joints, feet)

    def pass_on(
        self, targets: FootTargets, now: float, *, at_once: bool = False
    ) -> JointTargets | None:
        """Solve foot targets and have them followed, at once or by their stamps.

        None where a stage has refused them; it says so, until something else comes.
        """
        try:
            joints = self.solving.solve(targets)
        except LegKinematicsError as error:
            self.solving.refuse(error)
            return None
        try:
            self.driving.follow(joints, now, at_once=at_once)
        except LegKinematicsError as error:
            self.driving.refuse(error)
            return None
        return joints
