# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `player`: plays the sequence of a file when it is told to, as foot targets."""

import sys
from collections.abc import Callable, Sequence
from time import monotonic
from typing import Any

from rclpy.node import Node
from rclpy.parameter import Parameter as RosParameter

from leg_kinematics.chain.solving import LineParameters
from leg_kinematics.chain.values import Answer
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.moves.moving import Moving, MovingParameters
from leg_kinematics.moves.plan import Plan, StepError
from leg_kinematics.moves.playing import Playing, PlayState
from leg_kinematics.moves.resuming import plan_again, plan_from
from leg_kinematics.moves.sequence import load_sequence
from leg_kinematics.nodes.moving_topics import MovingTopics
from leg_kinematics.nodes.orders import offer_order
from leg_kinematics.nodes.running.catalogue import PLAYER, OrderParameters, PlayerParameters
from leg_kinematics.nodes.running.process import run
from leg_kinematics.nodes.running.start import start
from leg_kinematics.nodes.translation.diagnostics import Diagnostics
from leg_kinematics.nodes.translation.frames import BodyFrame

#: Between two looks at the state, s.
INTERVAL = 0.1

#: States of a plan that is gone on with; in others it is planned anew from where the feet are.
UNDER_WAY = (PlayState.PAUSED, PlayState.AT_STEP)


class PlayerNode(Node):
    """Plays a sequence, and only when somebody says so, each time.

    Parameters
    ----------
    overrides
        Of parameters.

    """

    def __init__(self, overrides: 'Sequence[RosParameter[Any]]' = ()) -> None:
        """Load the files, then listen."""
        super().__init__('player', parameter_overrides=list(overrides))
        settings, calibrated = start(self, PLAYER)
        own, moving = settings.of(PlayerParameters), settings.of(MovingParameters)
        self._loop = own.loop
        self._sequence = load_sequence(own.sequence)
        self.stage = Moving(calibrated, settings.of(LineParameters), moving)
        self._diagnostics = Diagnostics(self, calibrated.robot.name, self._values)
        frame = settings.of(BodyFrame).base_frame
        self._topics = MovingTopics(self, self.stage, moving, frame)
        age = settings.of(OrderParameters).max_command_age
        offer_order(self, 'player/play', lambda: self._go(self.stage.play), max_age=age)
        offer_order(self, 'player/step', lambda: self._go(self.stage.play_step), max_age=age)
        # What ends a move is obeyed however late it comes.
        offer_order(self, 'player/pause', self._pause)
        offer_order(self, 'player/stop', self._stop)
        self.create_timer(INTERVAL, self._report)
        self._look_at_it_from_rest(calibrated.robot.resting.feet)

    def _look_at_it_from_rest(self, feet: Sequence[tuple[float, float, float]]) -> None:
        """Tell early what cannot be done from rest; from elsewhere it may be."""
        try:
            self.stage.plan(self._sequence.steps, feet)
        except StepError as error:
            self.get_logger().warning(f'from rest: {self._sequence.error(error)}')

    # ---- orders

    def _go(self, order: Callable[[float], Answer]) -> Answer:
        now = monotonic()
        playing = self.stage.playing
        if playing is not None and playing.state is PlayState.PLAYING:
            return Answer(success=False, words='it is played already')
        if playing is None or playing.state not in UNDER_WAY:
            if trouble := self.stage.trouble(now):
                return Answer(success=False, words=trouble)
            try:
                self.stage.begin(*self._plan())
            except LegKinematicsError as error:
                return Answer(success=False, words=str(error))
        answer = order(monotonic())
        self._report()
        return answer

    def _plan(self) -> tuple[Plan, Plan | None]:
        sequence = self._sequence
        try:
            plan = plan_from(self.stage.plan, sequence.steps, 0)
            return plan, plan_again(self.stage.plan, sequence.steps, plan) if self._loop else None
        except StepError as error:
            raise sequence.error(error) from error

    def _pause(self) -> Answer:
        return self._end(lambda playing: playing.pause('by player/pause'))

    def _stop(self) -> Answer:
        return self._end(lambda playing: playing.stop('by player/stop'))

    def _end(self, order: Callable[[Playing], Answer]) -> Answer:
        if self.stage.playing is None:
            return Answer(success=False, words='nothing is played')
        answer = order(self.stage.playing)
        self._report()
        return answer

    # ---- what is told

    def _report(self) -> None:
        self._diagnostics.report(self.stage.condition(monotonic()))

    def _values(self) -> dict[str, object]:
        playing = self.stage.playing
        move = None if playing is None else playing.move
        return {
            'sequence': self._sequence.name,
            'step': 'none' if move is None else move.number + 1,
            'steps': len(self._sequence.steps),
        }


def main() -> None:
    """Run the node as a process."""
    sys.exit(run(lambda: [PlayerNode()]))


if __name__ == '__main__':
    main()
