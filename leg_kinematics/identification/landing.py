# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How far from where they should feet land: by the present maps, and by what was identified.

Looked at are feet around where they stand, as a walk has them. Where `base_link` is in the body
nobody can measure, so what is left after the best rigid motion of all feet together counts.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.spatial.transform import Rotation
from scipy.special import chdtr

from leg_kinematics.calibration import ServoMap
from leg_kinematics.calibration.foot_readings import LegStand
from leg_kinematics.errors import CalibrationError, LegKinematicsError
from leg_kinematics.identification.fit import Identified, rigid_motions
from leg_kinematics.identification.room import Floats, Room
from leg_kinematics.robot import Vector

#: Around where a foot stands, x and y and z, m: a stride of some 60 mm, and half of it raised.
STRIDE = (-0.030, 0.0, 0.030)
RAISED = (0.0, 0.030)


#: Two points can be turned about the line through them.
FEWEST_OF_A_TURN = 3


@dataclass(frozen=True)
class Landing:
    """Feet of the legs that were measured, where a walk has them.

    Attributes
    ----------
    stands
        How the servos stand there by the present maps.
    meant
        Where the feet are by these maps, in `base_link`, m, shape (n, 3).
    found
        Where they are by what was identified, after the best rigid motion, m, shape (n, 3).
    spread
        Standard errors of `found`, m, shape (n, 3).
    slack
        How far slack and dead band let each foot stray at most, m, shape (n,).
    whole_spread
        Standard errors without any motion: of feet in `base_link`, m, shape (n, 3).

    """

    stands: tuple[LegStand, ...]
    meant: Floats
    found: Floats
    spread: Floats
    slack: Floats
    whole_spread: Floats

    def before(self, share: float) -> float:
        """Return how near a share of the feet lands to where the present maps have it, m.

        As far as the measurements tell: what they leave open may be wrong of these maps, too.
        """
        return _quantile(self.found - self.meant, self.spread, share)

    def after(self, share: float) -> float:
        """Return the same by what was identified, m."""
        return _quantile(np.zeros_like(self.found), self.spread, share)

    def whole(self, share: float) -> float:
        """Return the same with where the legs stand in the body, m.

        One leg alone tells next to nothing about that, many tell of each other.
        """
        return _quantile(np.zeros_like(self.found), self.whole_spread, share)

    def of_leg(self, name: str) -> 'Landing':
        """Return the feet of one leg."""
        rows = np.array([stand.leg == name for stand in self.stands])
        stands = tuple(stand for stand in self.stands if stand.leg == name)
        parts = (self.meant, self.found, self.spread, self.slack, self.whole_spread)
        return Landing(stands, *(part[rows] for part in parts))


def landing(room: Room, maps: Mapping[str, ServoMap], found: Identified) -> Landing:
    """Work out where feet land.

    Parameters
    ----------
    room
        The robot, as it is described.
    maps
        The present ones, by joint.
    found
        What was identified.

    Raises
    ------
    CalibrationError
        No leg was measured.

    """
    stands: list[LegStand] = []
    for leg, foot in zip(room.legs, room.robot.standing.feet, strict=True):
        if leg.name not in found.measured:
            continue
        for x, y, z in product(STRIDE, STRIDE, RAISED):
            try:
                angles = leg.angles((foot[0] + x, foot[1] + y, foot[2] + z))
            except LegKinematicsError:
                # Not every leg reaches all around.
                continue
            coxa, femur, tibia = (
                maps[joint].pulse_us(angle) for joint, angle in zip(leg.joints, angles, strict=True)
            )
            stands.append(LegStand(leg.name, (coxa, femur, tibia), (0, 0, 0)))
    if not stands:
        raise CalibrationError('no foot was measured: nothing is known of where feet land')
    meant = np.array([foot_by_maps(room, maps, stand) for stand in stands])
    middle = found.feet(stands)
    sides = [
        found.feet([LegStand(each.leg, each.pulses_us, (one, two, last)) for each in stands])
        for one, two, last in product((-1, 1), repeat=3)
    ]
    spread, whole_spread = _spreads(found, stands)
    return Landing(
        stands=tuple(stands),
        meant=meant,
        found=aligned(middle, meant),
        spread=spread,
        slack=np.linalg.norm(np.array(sides) - middle, axis=2).max(axis=0),
        whole_spread=whole_spread,
    )


def foot_by_maps(room: Room, maps: Mapping[str, ServoMap], stand: LegStand) -> Vector:
    """Return where servo maps and description have a foot, in `base_link`, m.

    Raises
    ------
    MapRangeError
        A servo stands where its map knows no angle.

    """
    leg = room.leg(stand.leg)
    coxa, femur, tibia = (
        maps[joint].angle(pulse) for joint, pulse in zip(leg.joints, stand.pulses_us, strict=True)
    )
    return leg.foot((coxa, femur, tibia))


def _spreads(found: Identified, stands: Sequence[LegStand]) -> tuple[Floats, Floats]:
    """Return standard errors after the best rigid motion of the feet, and without it, m, (n, 3)."""
    positions, by_unknowns = found.model.feet(found.values, found.model.stands(stands))
    rows = by_unknowns.reshape(3 * len(stands), -1)
    motions = rigid_motions(positions).reshape(-1, 6)
    left = rows - motions @ (np.linalg.pinv(motions) @ rows)
    after, without = (
        np.sqrt(np.einsum('kn,nm,km->k', each, found.covariance, each)).reshape(-1, 3)
        for each in (left, rows)
    )
    return after, without


def aligned(points: Floats, onto: Floats, trusted: NDArray[np.bool_] | None = None) -> Floats:
    """Move points as a whole so that those of them that are trusted are nearest to others.

    One or two points tell no turn, and none at all nothing.

    Parameters
    ----------
    points, onto
        m, shape (n, 3).
    trusted
        Shape (n,); by default all are.

    """
    rows = np.ones(len(points), dtype=np.bool_) if trusted is None else trusted
    if not np.any(rows):
        return points
    middle, onto_middle = points[rows].mean(axis=0), onto[rows].mean(axis=0)
    if np.count_nonzero(rows) < FEWEST_OF_A_TURN:
        shifted: Floats = points - middle + onto_middle
        return shifted
    turn, _ = Rotation.align_vectors(onto[rows] - onto_middle, points[rows] - middle)
    moved: Floats = turn.apply(points - middle) + onto_middle
    return moved


def _quantile(away: Floats, spread: Floats, share: float) -> float:
    """Return how near to zero a share of points is, m.

    The square of a distance is nearly a scaled chi square of the same mean and variance
    (Satterthwaite, An approximate distribution of estimates of variance components, 1946; from
    memory).

    Parameters
    ----------
    away, spread
        Mean and standard deviation of their coordinates, m, shape (n, 3).
    share
        Of all points together.

    """
    mean = (away**2 + spread**2).sum(axis=1)
    variance = (2.0 * spread**4 + 4.0 * (away * spread) ** 2).sum(axis=1)
    scale, freedom = variance / (2.0 * mean), 2.0 * mean**2 / variance
    farthest = 10.0 * float(np.sqrt(mean.max()))

    def beyond(distance: float) -> float:
        return float(np.mean(chdtr(freedom, distance**2 / scale))) - share

    return float(brentq(beyond, 0.0, farthest))
