# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Servos and joints at the pins of the simulated chip, turned by the pulses that it puts out."""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from leg_kinematics.board.simulated.true_servo import TrueJoint, TrueServo

if TYPE_CHECKING:
    from test.simulated_chip import ChipProcess

#: A servo turns on after a pulse for no longer, s: the time to the next one at 50 Hz.
PERIOD = 0.02


class JointsOnChip:
    """Joints that follow the pulses of a chip.

    Parameters
    ----------
    chip
        Behind its pty.
    truths
        Of the servos, by channel.

    """

    def __init__(self, chip: 'ChipProcess', truths: Mapping[int, TrueServo]) -> None:
        """Let them stand where they were left."""
        self._chip = chip
        self._joints = {channel: TrueJoint(truth) for channel, truth in truths.items()}
        self._seen = 0

    def angles(self) -> dict[int, float]:
        """Show what a protractor does by now, deg by the number of the joint."""
        pulses = self._chip.pulses()
        for pulse in pulses[self._seen :]:
            if pulse.channel in self._joints:
                self._joints[pulse.channel].advance(pulse.width_us, PERIOD)
        self._seen = len(pulses)
        return {joint.truth.joint: joint.angle for joint in self._joints.values()}
