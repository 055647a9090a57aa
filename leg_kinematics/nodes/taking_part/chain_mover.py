# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Moving the feet of a chain that runs, from a program that takes part in it for a while."""

from collections.abc import Sequence
from time import monotonic

from leg_kinematics.errors import CommandError
from leg_kinematics.moves.moving import Moving, MovingParameters
from leg_kinematics.moves.paths import Feet
from leg_kinematics.moves.plan import Plan
from leg_kinematics.moves.playing import Playing, PlayState
from leg_kinematics.moves.steps import Step
from leg_kinematics.nodes.moving_topics import MovingTopics
from leg_kinematics.nodes.taking_part.joining import RunningChain
from leg_kinematics.nodes.taking_part.participant import PATIENCE, Participant

#: Joints that have been where they are for so long rest, s.
REST_FOR = 0.2


class ChainMover:
    """Plans moves from where the feet are, and has them played.

    Parameters
    ----------
    participant
        Who takes part in the chain; it works only while it spins.
    chain
        That it has found.

    Attributes
    ----------
    stage
        What moves the feet.
    robot, legs, maps
        The robot of the chain, its solvers with the ranges of the servo maps, and these.

    Raises
    ------
    NoAnswerError
        The chain does not tell where its joints are.

    """

    def __init__(self, participant: Participant, chain: RunningChain) -> None:
        """Join the topics; wait until all that has to be known is heard."""
        self.participant = participant
        self.robot = chain.calibrated.robot
        self.legs = chain.calibrated.legs
        self.maps = chain.calibrated.maps
        parameters = MovingParameters()
        self.stage = Moving(chain.calibrated, chain.lines, parameters)
        self._topics = MovingTopics(participant.node, self.stage, parameters, chain.frame)
        participant.doing = 'listening to the chain'
        participant.spin(
            lambda: self._topics.connected and self.stage.heard,
            f'bridge/state, and joint_states of all joints of {self.robot.name},',
        )

    @property
    def trouble(self) -> str:
        """Why no move can begin now; empty when one can."""
        return self.stage.trouble(monotonic())

    @property
    def unheard(self) -> bool:
        """Whether nothing has been heard from the bridge lately."""
        return self.stage.unheard(monotonic())

    def feet(self) -> Feet:
        """Feet by the pulses, in `base_link`, m."""
        return self.stage.feet_by_pulses

    def plan(self, steps: Sequence[Step]) -> Plan:
        """Solve steps from where the feet are; StepError where one cannot be done."""
        return self.stage.plan(steps)

    def begin(self, plan: Plan, again: Plan | None = None) -> Playing:
        """Have a plan ready; `play` it then. CommandError where the feet have moved since."""
        return self.stage.begin(plan, again)

    def play(self) -> None:
        """Play what was begun, or go on with it, while spinning; CommandError says why not."""
        answer = self.stage.play(monotonic())
        if not answer.success:
            raise CommandError(answer.words)

    def play_step(self) -> None:
        """Do the same to the end of a step."""
        answer = self.stage.play_step(monotonic())
        if not answer.success:
            raise CommandError(answer.words)

    def spin_while_playing(self) -> PlayState:
        """Work until what is played is played no more, for whatever reason, and all is at rest."""
        playing = self.stage.playing
        if playing is None:
            raise CommandError('there is nothing to play')
        self.participant.happens(lambda: playing.state is not PlayState.PLAYING)
        self.spin_until_rest()
        return playing.state

    def spin_until_rest(self) -> None:
        """Work until the joints rest, or nothing is heard of them any more."""
        began = monotonic()
        self.participant.happens(
            lambda: monotonic() - max(began, self.stage.still_since) >= REST_FOR, PATIENCE
        )
