# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Readings that do not belong to the others: mistyped, most likely."""

from dataclasses import dataclass
from typing import Literal

#: What was given: an angle read off, a position of a foot, or a touch of the ground.
Kind = Literal['reading', 'foot', 'touch']


@dataclass(frozen=True)
class Suspect:
    """A single number that does not belong to the others, and was left out.

    Attributes
    ----------
    kind
        Of the entry that it is in.
    name
        Of the joint that was read, or of the leg whose foot it was.
    place
        Of the entry among the readings of this joint, the feet, or the touches of the evidence.
    coordinate
        Which number of the entry.
    given
        As it was typed, rad or m; 0 for a touch, which is at the height of the ground.
    expected
        What all the others say of it, in the same unit.
    spread
        Standard deviation of `given` about `expected`, were it a reading like the others.

    """

    kind: Kind
    name: str
    place: int
    coordinate: Literal['angle', 'x', 'y', 'z']
    given: float
    expected: float
    spread: float

    @property
    def off(self) -> float:
        """By how much it is away from what is expected, rad or m."""
        return self.given - self.expected
