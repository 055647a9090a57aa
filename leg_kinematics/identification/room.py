# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The room that legs have while their robot stands on a block, above level ground.

The present maps may be wrong, and with them lengths and mounts. A leg is therefore kept away from
ground, body and other legs by what it may be wrong: nothing at its coxa axis, more and more along
the leg, and all of it at the foot.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.errors import CommandError
from leg_kinematics.robot import Leg, Robot, Vector
from leg_kinematics.solver import (
    LegSolver,
    Range,
    box_distances,
    joint_points,
    posture_angles,
    segment_distances,
)

Floats = NDArray[np.float64]

#: How far a foot may be from where the present maps have it (the goal of the survey), m.
DOUBT = 0.020

#: Cables and screws stand out of the capsules by less (our own rule of thumb), m.
OUTSTANDING = 0.005

#: Each link is looked at in so many pieces, since what it may be wrong grows along it.
PIECES = 4

#: Pieces that are to be clear of the body. The coxa begins in it, and the femur beside it: there
#: the limits of the coxa keep it clear.
OFF_BODY = slice(PIECES + 1, None)


class _Pieces(NamedTuple):
    """Pieces of the links of a leg, in each of n postures.

    Attributes
    ----------
    ends
        From the coxa axis to the foot, in `base_link`, m, shape (n, 3 * PIECES + 1, 3).
    radii
        Around each piece, with what it may be wrong, m, shape (3 * PIECES,).

    """

    ends: Floats
    radii: Floats


@dataclass(frozen=True)
class Room:
    """A robot on its block, and how wrong its maps may be.

    Attributes
    ----------
    robot
        As described; those of its legs that are wired.
    legs
        Its solvers, with the ranges of the servo maps.
    height
        Of the origin of `base_link` above the ground, m.
    doubt
        How far a foot may be from where the maps have it, m.

    Raises
    ------
    CommandError
        The feet are not clear of the ground in the resting posture; says how high is enough.

    """

    robot: Robot
    legs: tuple[LegSolver, ...]
    height: float
    doubt: float = DOUBT

    def __post_init__(self) -> None:
        """Refuse a block that is too low."""
        lowest = min(
            float(self._above_ground(leg, self._pieces(leg, np.array([angles])))[0])
            for leg, angles in zip(self.legs, self.resting.values(), strict=True)
        )
        if lowest < OUTSTANDING:
            enough = self.height + OUTSTANDING - lowest
            raise CommandError(
                f'base_link is {1e3 * self.height:.0f} mm above the ground, so that feet which may '
                f'be wrong by {1e3 * self.doubt:.0f} mm could touch it in the resting posture: put '
                f'the robot on a block that holds base_link {1e3 * enough:.0f} mm above the ground '
                'or more'
            )

    @cached_property
    def resting(self) -> Mapping[str, Vector]:
        """Joint angles of the resting posture, rad, by leg."""
        angles = posture_angles(self.robot, self.legs, 'resting')
        return dict(zip(self.robot.leg_names, angles, strict=True))

    def leg(self, name: str) -> LegSolver:
        """Return the solver of a leg."""
        return self.legs[self.robot.leg_names.index(name)]

    def clearances(self, name: str, angles: Floats, others: Mapping[str, Vector]) -> Floats:
        """Say how much farther away a leg is than it has to be.

        Parameters
        ----------
        name
            Of the leg.
        angles
            Its postures, rad, shape (n, 3).
        others
            Where the other legs are, rad, by name; legs that are not named are not there.

        Returns
        -------
        ndarray
            From the ground, from the body and from each of the others, m, shape
            (n, 2 + len(others)); below zero where it could touch. No more is wanted of body and
            legs than the resting posture has.

        """
        leg = self.leg(name)
        pieces = self._pieces(leg, angles)
        columns = [
            self._above_ground(leg, pieces) - OUTSTANDING,
            self._off_body(pieces) - self._wanted_off_body[name],
        ]
        for other, posture in others.items():
            if other != name:
                wanted = self._wanted_apart[frozenset((name, other))]
                against = self._pieces(self.leg(other), np.array([posture]))
                columns.append(_apart(pieces, against) - wanted)
        return np.stack(columns, axis=1)

    def clear(self, name: str, angles: Floats, others: Mapping[str, Vector]) -> NDArray[np.bool_]:
        """Tell in which postures a leg is clear of all, shape (n,)."""
        clear: NDArray[np.bool_] = np.all(self.clearances(name, angles, others) >= 0.0, axis=1)
        return clear

    def ranges(self, name: str) -> tuple[Range, Range, Range]:
        """Lowest and highest angle of each joint by limits and servo maps, rad."""
        leg = self.leg(name)
        coxa, femur, tibia = (
            (max(limit[0], span[0]), min(limit[1], span[1]))
            for limit, span in zip(leg.limits, leg.expressible, strict=True)
        )
        return (coxa, femur, tibia)

    # ---- distances

    def _pieces(self, leg: LegSolver, angles: Floats) -> _Pieces:
        described = self._described(leg)
        joints = joint_points(leg, angles)
        shares = np.arange(PIECES)[:, np.newaxis] / PIECES
        links = [
            (1.0 - shares) * joints[:, np.newaxis, link] + shares * joints[:, np.newaxis, link + 1]
            for link in range(3)
        ]
        lengths = np.repeat([link.length / PIECES for link in described.links], PIECES)
        radii = np.repeat([link.radius for link in described.links], PIECES)
        # Each piece may be wrong by as much as its outer end.
        radii += self.doubt * np.cumsum(lengths) / lengths.sum()
        return _Pieces(np.concatenate([*links, joints[:, 3:]], axis=1), radii)

    def _described(self, leg: LegSolver) -> Leg:
        return self.robot.legs[self.robot.leg_names.index(leg.name)]

    def _above_ground(self, leg: LegSolver, pieces: _Pieces) -> Floats:
        """Least height above the ground, less what it may be wrong, m, shape (n,)."""
        tibia = self._described(leg).tibia.radius
        radii = pieces.radii.copy()
        # It is the tip of the foot that touches the ground: the tibia ends in it.
        radii[-1] -= tibia
        found: Floats = (pieces.ends[:, 1:, 2] + self.height - radii).min(axis=1)
        return found

    def _off_body(self, pieces: _Pieces) -> Floats:
        """Least distance from the box of the body, m, shape (n,)."""
        starts, ends = pieces.ends[:, :-1][:, OFF_BODY], pieces.ends[:, 1:][:, OFF_BODY]
        size = self.robot.body.size
        distances = box_distances(starts.reshape(-1, 3), ends.reshape(-1, 3), size)
        gaps = distances.reshape(len(pieces.ends), -1) - pieces.radii[OFF_BODY]
        found: Floats = gaps.min(axis=1)
        return found

    @cached_property
    def _wanted_off_body(self) -> Mapping[str, float]:
        return {
            leg.name: min(
                OUTSTANDING,
                float(self._off_body(self._pieces(leg, np.array([self.resting[leg.name]])))[0]),
            )
            for leg in self.legs
        }

    @cached_property
    def _wanted_apart(self) -> Mapping[frozenset[str], float]:
        pieces = {
            leg.name: self._pieces(leg, np.array([self.resting[leg.name]])) for leg in self.legs
        }
        return {
            frozenset((one, other)): min(OUTSTANDING, float(_apart(pieces[one], pieces[other])[0]))
            for one in pieces
            for other in pieces
            if one != other
        }


def _apart(pieces: _Pieces, against: _Pieces) -> Floats:
    """Least distance between a leg in n postures and another in one, m, shape (n,).

    Of what is far apart, no more than the distance of the boxes around both.
    """
    low, high = pieces.ends.min(axis=(0, 1)), pieces.ends.max(axis=(0, 1))
    other_low, other_high = against.ends[0].min(axis=0), against.ends[0].max(axis=0)
    between = np.maximum(0.0, np.maximum(other_low - high, low - other_high))
    far = float(np.linalg.norm(between)) - pieces.radii.max() - against.radii.max()
    if far >= OUTSTANDING:
        return np.full(len(pieces.ends), far)
    starts, ends = pieces.ends[:, :-1, np.newaxis], pieces.ends[:, 1:, np.newaxis]
    other_starts, other_ends = against.ends[:, np.newaxis, :-1], against.ends[:, np.newaxis, 1:]
    distances = segment_distances(starts, ends, other_starts, other_ends)
    gaps = distances - pieces.radii[:, np.newaxis] - against.radii
    found: Floats = gaps.min(axis=(1, 2))
    return found
