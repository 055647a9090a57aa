# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Ticks as far apart as they should be, on a machine that is late now and then."""

#: A schedule that is late is put right by this part of a tick a tick.
TICKS_TO_CATCH_UP = 100


class Schedule:
    """The ideal instants of the ticks.

    Parameters
    ----------
    tick
        Between two of them, s.
    reach
        Ticks that whoever follows is told of ahead: so many may be made up for.

    Attributes
    ----------
    at
        Instant of the latest tick, s.
    count, missed
        Ticks that were taken, and that were left out.

    """

    def __init__(self, tick: float, reach: int) -> None:
        """Wait for `begin`."""
        self._tick = tick
        self._reach = reach
        self._next = 0.0
        self.at = 0.0
        self.count = self.missed = 0

    def begin(self, now: float) -> None:
        """Have the first tick now."""
        self._next = now

    def due(self, now: float) -> int:
        """How many ticks to take by now; none for a step that came before its time.

        Ticks that came late are made up for as far as whoever follows was told ahead. Beyond that
        it stands at the last point: the walk goes on from there, and the time that the process did
        not get is left out. Either way nothing jumps.
        """
        early = self._next - now
        if early > 0.5 * self._tick:
            # A timer makes up for a tick too, which has been made up for already.
            return 0
        # No timer is early: if it seems so, the ticks before were late. The schedule is put right
        # so slowly that no foot seems to jump.
        self._next -= max(0.0, min(early, self._tick / TICKS_TO_CATCH_UP))
        late = int((now - self._next) / self._tick + 1e-9)
        taken = min(late, self._reach)
        self._next += taken * self._tick
        count = taken + 1
        if late > taken:
            count = max(1, taken)
            self.missed += late + 1 - count
            self._next = now
        self.at = self._next
        self._next += self._tick
        self.count += 1
        return count
