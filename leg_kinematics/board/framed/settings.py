# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""All that a board can be told to keep."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from leg_kinematics.board.driver import Reaction
from leg_kinematics.board.framed.frames import LONGEST_PERIOD_US, Period, Silence, Supply

_SILENCE = Silence(Reaction.RELEASE, 500)
_SUPPLY = Supply(divider_permille=0, low_mv=0)
_PERIOD = Period(LONGEST_PERIOD_US)


@dataclass(frozen=True)
class Settings:
    """The settings of a board; by default, those of a board that was told nothing.

    Attributes
    ----------
    limits
        Lowest and highest pulse by channel, µs.
    silence, supply, period
        As the protocol has them.

    """

    limits: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    silence: Silence = _SILENCE
    supply: Supply = _SUPPLY
    period: Period = _PERIOD
