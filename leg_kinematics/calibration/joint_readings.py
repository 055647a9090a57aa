# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a person finds out about a joint and its servo at the bench."""

from dataclasses import dataclass
from typing import Literal

from leg_kinematics.calibration.measured import Reading


@dataclass(frozen=True)
class OutputFound:
    """A joint was seen to move when this output was driven.

    Attributes
    ----------
    joint
        Which.
    board, channel
        The output.

    """

    joint: str
    board: str
    channel: int


@dataclass(frozen=True)
class HornFitted:
    """The horn of a joint was fitted with the servo at this pulse.

    Attributes
    ----------
    joint
        Which.
    pulse_us
        Meanwhile, µs.
    angle
        Of the joint, as it was wanted, rad.

    """

    joint: str
    pulse_us: float
    angle: float


@dataclass(frozen=True)
class SignSeen:
    """Which way a joint turned when its pulse was made longer.

    Attributes
    ----------
    joint
        Which.
    sign
        1 for the positive way, otherwise -1.

    """

    joint: str
    sign: Literal[1, -1]


@dataclass(frozen=True)
class AngleRead:
    """An angle was read off.

    Attributes
    ----------
    joint
        Which.
    reading
        Pulse, angle and approach.

    """

    joint: str
    reading: Reading


@dataclass(frozen=True)
class EndFound:
    """The pulse beyond which a servo is not to be driven was found.

    Attributes
    ----------
    joint
        Which.
    end
        Whether it is the lowest or the highest one.
    pulse_us
        Still allowed, µs.

    """

    joint: str
    end: Literal['lowest', 'highest']
    pulse_us: float


JointEntry = OutputFound | HornFitted | SignSeen | AngleRead | EndFound
