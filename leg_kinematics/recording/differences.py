# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What differs between a recorded run and what today's code makes of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import dist

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Difference:
    """A number that is another one today.

    Attributes
    ----------
    at
        Instant of the stamp, s from the beginning of the run.
    tick
        Number of the message among those of its topic, from 0.
    what
        Leg or joint.
    recorded, today
        What was given then, and now: a foot, m, or an angle, rad.
    size
        Of the difference, m or rad.

    """

    at: float
    tick: int
    what: str
    recorded: tuple[float, ...]
    today: tuple[float, ...]
    size: float


@dataclass(frozen=True)
class Comparison:
    """One stage, then and today.

    Attributes
    ----------
    stage
        Its name.
    unit
        Of what it gives.
    tolerance
        Up to this a number is the same.
    instants, sizes
        Of every message that both gave: s, and the largest difference in it, shape (n,).
    first, worst
        Differences above the tolerance; None where there is none.
    refused
        Instants, s, and reasons, at which today's code gives nothing where it gave something then.
    left_out
        Messages that were not compared, since what led to them was before the recording.

    """

    stage: str
    unit: str
    tolerance: float
    instants: Array
    sizes: Array
    first: Difference | None
    worst: Difference | None
    refused: tuple[tuple[float, str], ...]
    left_out: int = 0

    @property
    def differing(self) -> int:
        """Messages that differ by more than is permitted."""
        return int((self.sizes > self.tolerance).sum())

    @property
    def same(self) -> bool:
        """Whether today's code gives what was given then."""
        return self.first is None and not self.refused


class Collected:
    """Differences of one stage, as they are found."""

    def __init__(self, stage: str, unit: str, tolerance: float, left_out: int) -> None:
        self._stage = stage
        self._unit = unit
        self._tolerance = tolerance
        self._left_out = left_out
        self._instants: list[float] = []
        self._sizes: list[float] = []
        self._first: Difference | None = None
        self._worst: Difference | None = None
        self._refused: list[tuple[float, str]] = []

    def refuse(self, at: float, reason: str) -> None:
        """Note that today's code gives nothing."""
        self._refused.append((at, reason))

    def add(
        self,
        at: float,
        tick: int,
        names: Sequence[tuple[str, int]],
        recorded: Sequence[tuple[float, ...]],
        today: Sequence[tuple[float, ...]],
    ) -> None:
        """Compare a message, whose points have these names and numbers."""
        if len(recorded) != len(today):
            self.refuse(at, f'{len(today)} values today, {len(recorded)} then')
            return
        sizes = [dist(then, now) for then, now in zip(recorded, today, strict=True)]
        place = max(range(len(sizes)), key=sizes.__getitem__)
        self._instants.append(at)
        self._sizes.append(sizes[place])
        if not sizes[place] > self._tolerance:
            return
        name, point = names[place]
        what = name if point == 0 else f'{name}, point {point}'
        found = Difference(at, tick, what, recorded[place], today[place], sizes[place])
        self._first = self._first or found
        if self._worst is None or found.size > self._worst.size:
            self._worst = found

    def comparison(self) -> Comparison:
        """Sum up."""
        return Comparison(
            self._stage,
            self._unit,
            self._tolerance,
            np.array(self._instants),
            np.array(self._sizes),
            self._first,
            self._worst,
            tuple(self._refused),
            self._left_out,
        )
