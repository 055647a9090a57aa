# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Somebody at the keys and a robot that follows: each key moves it once, or nothing."""

from leg_kinematics.errors import CommandError
from leg_kinematics.moves.jogging import Angles, Jogging, Pressed
from leg_kinematics.moves.leg_view import LegView
from leg_kinematics.moves.moving import Moving
from leg_kinematics.moves.places import LegFrames
from leg_kinematics.moves.plan import StepError
from leg_kinematics.moves.playing import PlayState
from leg_kinematics.moves.steps import FeetStep

#: Joints that have been where they are for so long rest, s.
RESTS_AFTER = 0.05

#: Why a key that comes too early does nothing; keys do not pile up.
ON_ITS_WAY = 'the foot is still on its way'


class ByHand:
    """Has what a key asks for planned and played, from where the feet are.

    Parameters
    ----------
    moving
        What moves the feet.
    jogging
        What the keys mean.

    """

    def __init__(self, moving: Moving, jogging: Jogging) -> None:
        """Move nothing."""
        self._moving = moving
        self._frames = LegFrames(moving.calibrated.robot)
        self.jogging = jogging

    @property
    def angles(self) -> Angles:
        """Joints as commanded, leg by leg, rad; CommandError where they are not known yet."""
        each = iter(self._moving.positions)
        return tuple(zip(each, each, each, strict=True))

    def moves(self, now: float) -> bool:
        """Whether a foot is on its way at an instant, s."""
        playing = self._moving.playing
        return now - self._moving.still_since < RESTS_AFTER or (
            playing is not None and playing.state is PlayState.PLAYING
        )

    def view(self) -> LegView:
        """Look at the chosen leg; CommandError where nothing is known of its joints yet."""
        name = self.jogging.leg
        index = self._moving.calibrated.robot.leg_names.index(name)
        return LegView.of(
            self._moving.calibrated.legs[index],
            self._frames,
            self.jogging.frame,
            self.angles[index],
            self._moving.pulses_us[3 * index : 3 * index + 3],
        )

    def press(self, name: str, now: float) -> Pressed:
        """Take a key at an instant, s; `step` of the answer is what is now being moved."""
        trouble = self._moving.trouble(now)
        hindrance = trouble or (ON_ITS_WAY if self.moves(now) else '')
        pressed = self.jogging.press(name, self.angles, hindrance)
        if pressed.step is None:
            return pressed
        return self._play(pressed.step, now)

    def _play(self, step: FeetStep, now: float) -> Pressed:
        """Begin to move, or say why not."""
        try:
            plan = self._moving.plan([step])
            self._moving.begin(plan)
        except StepError as error:
            return Pressed(error.reason)
        except CommandError as error:
            return Pressed(str(error))
        answer = self._moving.play(now)
        if not answer.success:
            return Pressed(answer.words)
        return Pressed('; '.join(f'caution: {each.reason}' for each in plan.cautions), step)
