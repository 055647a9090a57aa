# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Where in a recording a replay is, and how fast it goes on there.

A replay sets off gently and comes to rest at the end of every stretch, so that what was recorded in
motion from its first instant, or to its last, begins and ends at rest all the same. Between, each
place has a rate that must not be exceeded. What that means for the places before it is worked out
once, backwards from the end (J. E. Bobrow, S. Dubowsky, J. S. Gibson, "Time-Optimal Control of
Robotic Manipulators Along Specified Paths", Int. J. Robotics Research 4(3), 1985, without its
forward pass, which is made as time goes on).
"""

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass
from math import ceil, sqrt

#: From rest to the rate that is asked for, s.
SETTING_OFF_TIME = 0.5

#: The same where nothing is driven that would have to set off gently, s.
AT_ONCE = 1e-6

#: Between two places of which the highest rate is known, s of the recording.
GRID = 0.01

#: The end is reached when less is left, s of the recording.
LANDED = 1e-7


class RateLimits:
    """How fast a stretch of a recording may be played, place by place; at its end, not at all.

    Parameters
    ----------
    start, end
        Of the stretch, s of the recording.
    speed
        That is asked for: s of the recording a second.
    highest
        Highest rate at a place, for whatever reason; None where there is no other reason.
    setting_off_time
        From rest to the rate that is asked for, s.

    Attributes
    ----------
    start, end
        As given.
    acceleration
        By which the rate changes, 1/s.

    """

    def __init__(
        self,
        start: float,
        end: float,
        speed: float,
        highest: Callable[[float], float] | None = None,
        setting_off_time: float = SETTING_OFF_TIME,
    ) -> None:
        """Work out the limits."""
        self.start, self.end = start, end
        self.acceleration = speed / setting_off_time
        count = max(1, ceil((end - start) / GRID))
        step = (end - start) / count
        self._places = [start + index * step for index in range(count)] + [end]
        most = [speed if highest is None else highest(place) for place in self._places[:-1]]
        squares = [min(speed, rate) ** 2 for rate in most] + [0.0]
        for index in reversed(range(count)):
            squares[index] = min(squares[index], squares[index + 1] + 2 * self.acceleration * step)
        self._squares = squares

    def at(self, place: float) -> float:
        """Give the highest rate at a place."""
        index = bisect_right(self._places, place)
        if index == len(self._places):
            return 0.0
        first, second = self._places[max(0, index - 1)], self._places[index]
        before, after = self._squares[max(0, index - 1)], self._squares[index]
        share = (place - first) / (second - first) if second > first else 0.0
        # Even braking makes the square of the rate a straight line.
        return sqrt(before + (after - before) * min(1.0, max(0.0, share)))


@dataclass
class Playhead:
    """A place in a stretch of a recording, and the rate at which it goes on.

    Attributes
    ----------
    limits
        Of the stretch.
    place
        s of the recording.
    rate
        s of the recording a second.

    """

    limits: RateLimits
    place: float
    rate: float = 0.0

    @property
    def at_end(self) -> bool:
        """Whether the stretch is over."""
        return self.place >= self.limits.end

    def step(self, seconds: float, *, running: bool) -> None:
        """Go on for so long, s, or come to rest."""
        change = self.limits.acceleration * seconds
        if running:
            rate = min(self.rate + change, self.limits.at(self.place + self.rate * seconds))
        else:
            rate = max(0.0, self.rate - change)
        self.place += 0.5 * (self.rate + rate) * seconds
        self.rate = rate
        if self.place > self.limits.end - LANDED:
            self.place, self.rate = self.limits.end, 0.0

    def ahead(self, seconds: float, count: int, *, running: bool) -> 'list[tuple[float, float]]':
        """Give places and rates now and after each of so many steps."""
        other = Playhead(self.limits, self.place, self.rate)
        found = [(other.place, other.rate)]
        for _ in range(count):
            other.step(seconds, running=running)
            found.append((other.place, other.rate))
        return found
