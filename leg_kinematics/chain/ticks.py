# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How many ticks there were, and how many a busy machine left out."""


class Ticks:
    """Counts ticks.

    Parameters
    ----------
    tick
        Between two of them, s.

    Attributes
    ----------
    count, missed
        Ticks that came, and that did not.
    period
        Between the latest two, s.

    """

    def __init__(self, tick: float) -> None:
        """Begin with no tick counted."""
        self._tick = tick
        self._last: float | None = None
        self.count = self.missed = 0
        self.period = 0.0

    def see(self, now: float) -> int:
        """Count a tick that came at an instant, s; return how many were missed just before it."""
        missed = 0
        if self._last is not None:
            self.period = now - self._last
            missed = int(self.period / self._tick - 0.5)
        self._last = now
        self.count += 1
        self.missed += missed
        return missed
