# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The path of a walk: what was worked out of it, where the robot is led, where it has come to."""

from collections import deque
from math import ceil, floor
from typing import Generic, TypeVar

from leg_kinematics.chain.values import NANOSECONDS

#: What lies behind the robot is kept for so long, s, since it may turn out to be farther behind.
KEPT_FOR = 2.0

#: Stamps that follow each other after more than this tell of a clock that was set forward, s.
CLOCK_SET_FORWARD = 0.15

#: From standing to the full pace along the path, s; but at least so many ticks.
SETTING_OFF_TIME = 0.3
FEWEST_SETTING_OFF_TICKS = 11

T = TypeVar('T')


class Path(Generic[T]):
    """A sequence of ticks, along which a robot is led, and positions on it counted in ticks.

    Parameters
    ----------
    tick
        Time from one tick to the next at full pace, s.
    rate
        Ticks a second.

    Attributes
    ----------
    at
        Where the robot is led to now.
    pace
        How fast it is led, as a share of a tick a tick.
    full_pace_at
        From which position on it is led at full pace, since it set off last.
    reached
        Where the robot is, as it told last.

    """

    def __init__(self, tick: float, rate: float) -> None:
        """Begin empty."""
        self._tick = tick
        self._kept = ceil(KEPT_FOR * rate)
        self._ticks: deque[T] = deque()
        self._first = 0
        # Positions and paces of the ticks until it is led at full pace.
        self._setting_off: deque[tuple[float, float]] = deque()
        self._steps = max(FEWEST_SETTING_OFF_TICKS, round(SETTING_OFF_TIME * rate))
        # Stamps that were given to positions, ns.
        self._stamps: deque[tuple[int, float]] = deque()
        self._latest: tuple[tuple[int, float], ...] = ()
        self.at = self.reached = 0.0
        self.pace = 0.0
        self.full_pace_at = 0.0

    @property
    def front(self) -> int:
        """The last position that is worked out."""
        return self._first + len(self._ticks) - 1

    def begin(self, tick: T) -> None:
        """Begin anew, at position 0."""
        self._ticks.clear()
        self._stamps.clear()
        self._setting_off.clear()
        self._latest = ()
        self._ticks.append(tick)
        self._first = 0
        self.at = self.reached = self.pace = self.full_pace_at = 0.0

    def append(self, tick: T) -> None:
        """Add what was worked out next."""
        self._ticks.append(tick)

    def around(self, position: float) -> tuple[T, T, float]:
        """Ticks before and after a position, and its share of the way between them, in [0, 1)."""
        index = floor(position)
        share = position - index
        before = self._ticks[index - self._first]
        return before, self._ticks[index + 1 - self._first] if share else before, share

    # ---- leading

    def advance(self, count: int) -> None:
        """Lead the robot on by so many ticks."""
        for _ in range(count):
            self.at, self.pace = (
                self._setting_off.popleft() if self._setting_off else (self.at + 1.0, 1.0)
            )
        oldest = floor(min(self.at, self.reached)) - self._kept
        while self._first < oldest:
            self._ticks.popleft()
            self._first += 1

    def ahead(self, ticks: int) -> tuple[float, float]:
        """Where the robot will be led to after so many ticks more, and its pace then."""
        if ticks == 0:
            return self.at, self.pace
        coming = self._setting_off
        if ticks <= len(coming):
            return coming[ticks - 1]
        return (coming[-1][0] if coming else self.at) + float(ticks - len(coming)), 1.0

    def set_off(self) -> None:
        """Lead the robot on from rest, with even acceleration, to full pace at a whole position."""
        steps = self._steps
        end = ceil(self.at + 0.5 * steps)
        way = end - self.at
        self._setting_off = deque(
            (self.at + way * (step / steps) ** 2, 2.0 * way * step / steps**2)
            for step in range(1, steps)
        )
        self._setting_off.append((float(end), 1.0))
        self.full_pace_at = float(end)

    def stop(self) -> None:
        """Lead it on no more."""
        self._setting_off.clear()
        self.pace = 0.0

    # ---- following

    def publish(self, stamp: int, times: tuple[float, ...], positions: tuple[float, ...]) -> None:
        """Note which instants, ns, belong to which positions."""
        if self._stamps:
            since = stamp - self._stamps[-1][0]
            if since <= 0:
                # The clock of the stamps was set back: what was published is not known by them.
                self._stamps.clear()
            elif since > CLOCK_SET_FORWARD * NANOSECONDS:
                # It was set forward. The robot goes on to the end of what it knows.
                self._stamps.extend(self._latest[1:])
        self._stamps.append((stamp, positions[0]))
        while stamp - self._stamps[0][0] > KEPT_FOR * NANOSECONDS:
            self._stamps.popleft()
        self._latest = tuple(
            (stamp + round(time * NANOSECONDS), position)
            for time, position in zip(times, positions, strict=True)
        )

    def reach(self, stamp: int, *, going_back: bool) -> float:
        """Take in which instant of what was published the robot has come to.

        Parameters
        ----------
        stamp
            ns; of no use if it was not published.
        going_back
            Whether the robot is to be led on from there, instead of from where it was led to.

        Returns
        -------
        float
            How far it has come on since it told last, in ticks.

        """
        position = self._position(stamp)
        if position is None:
            return 0.0
        way = position - self.reached
        self.reached = position
        if going_back:
            self.at = position
            at = min(stamp, self._latest[-1][0])
            if self._stamps[-1][0] < at:
                # It has gone on into what it was told ahead.
                self._stamps.append((at, position))
        return way

    def stamp(self, position: float) -> int | None:
        """Instant that was given to a position when the robot was led there, ns."""
        points = list(self._stamps)
        for index in range(len(points) - 1, 0, -1):
            (before, start), (after, end) = points[index - 1], points[index]
            if start < position <= end:
                return before + round((after - before) * (position - start) / (end - start))
        return points[0][0] if points and points[0][1] == position else None

    def _position(self, stamp: int) -> float | None:
        """Position that a stamp was given to."""
        if not self._stamps or stamp < self._stamps[0][0]:
            return None
        if stamp >= self._latest[0][0]:
            points = self._latest
            if stamp >= points[-1][0]:
                return points[-1][1]
        else:
            points = tuple(self._stamps)
        later = next(index for index, (at, _) in enumerate(points) if at > stamp)
        (before, start), (after, end) = points[later - 1], points[later]
        return start + (end - start) * (stamp - before) / (after - before)
