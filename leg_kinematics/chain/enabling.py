# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Legs get their pulses one after another, since each servo jumps to its first one."""

from collections.abc import Sequence
from collections.abc import Set as AbstractSet

from leg_kinematics.board import Output


class Enabling:
    """Which leg gets its pulses next.

    Parameters
    ----------
    legs
        Outputs of each leg, in the order in which they get their pulses.
    interval
        From leg to leg, s; none passes where a leg has its pulses already.

    Attributes
    ----------
    begun
        Legs that were asked for.

    """

    def __init__(self, legs: Sequence[Sequence[Output]], interval: float) -> None:
        """Begin with no leg asked for."""
        self._legs = [frozenset(leg) for leg in legs]
        self._interval = interval
        self._next_at = 0.0
        self.begun = 0

    @property
    def count(self) -> int:
        """Number of legs."""
        return len(self._legs)

    def restart(self) -> None:
        """Ask for all of them again."""
        self.begun = 0
        self._next_at = 0.0

    def next_leg(self, now: float, enabled: AbstractSet[Output]) -> AbstractSet[Output]:
        """Give the outputs that are to get their pulses now; none unless those before have theirs.

        Parameters
        ----------
        now
            s.
        enabled
            Outputs that have pulses.

        """
        before = self._legs[: self.begun]
        if (
            self.begun == len(self._legs)
            or now < self._next_at
            or not all(leg <= enabled for leg in before)
        ):
            return frozenset()
        leg = self._legs[self.begun]
        self.begun += 1
        if not leg <= enabled:
            self._next_at = now + self._interval
        return leg
