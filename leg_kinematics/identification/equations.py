# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What was measured and what was expected, as equations of the unknowns, and their solution.

Each equation says by how much a number is away from what the unknowns make of it, as a multiple of
its standard deviation. The unknowns that make the sum of the squares least are the most probable
ones (maximum a posteriori), since all deviations count as normally distributed.

They are found by the Gauss-Newton method, with steps that are halved until the sum falls. What was
expected of every unknown is among the equations, so that the normal equations always have one
solution. Legs have nothing to do with each other but by the ground, so that these are solved leg by
leg, and what is left over for the ground at the end (the Schur complement).
"""

from dataclasses import dataclass, replace
from math import hypot

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.errors import CalibrationError
from leg_kinematics.identification.evidence import Evidence, FootSeen
from leg_kinematics.identification.model import OF_JOINT, Floats, Model, Stands
from leg_kinematics.identification.tolerances import Tolerances

Flags = NDArray[np.bool_]

#: Kinds of what is measured, each of which has its own scatter.
READING, FOOT, MARKER, TOUCH = range(4)

#: Beyond so many standard deviations a number pulls less and less, at the start.
FAR = 2.0

#: The sum of the squares is least where a step would make it smaller by no more than this: then no
#: unknown is farther from its place than a ten-thousandth of its standard error.
LEAST_GAIN = 1e-9

#: The same at the start, where steps that heed how deviations pull less would be shorter and more.
LEAST_GAIN_AT_START = 1e-2

#: Steps, and halvings of a step, after which there is no hope.
MOST_STEPS, MOST_HALVINGS = 60, 20


@dataclass(frozen=True)
class Used:
    """Which numbers are used, and how much each kind of them scatters.

    Attributes
    ----------
    readings
        For each angle that was read, shape (r,).
    feet
        For x, y and z of each foot, shape (k, 3).
    scatter
        Of each kind, as a multiple of its standard deviation, shape (4,).

    """

    readings: Flags
    feet: Flags
    scatter: Floats


@dataclass(frozen=True)
class Normal:
    """Normal equations, in multiples of the expected spreads of the unknowns.

    Attributes
    ----------
    legs
        Of the unknowns of each leg, shape (legs, p, p).
    between
        Of each leg and all placements, shape (legs, p, q).
    grounds
        Of the placements, shape (q, q).
    slopes
        By how much half the sum of the squares falls with each unknown: of legs, shape (legs, p),
        and of placements, shape (q,).

    """

    legs: Floats
    between: Floats
    grounds: Floats
    slopes: tuple[Floats, Floats]

    def step(self) -> Floats:
        """Solve them, shape (n,)."""
        of_legs, of_grounds = self.slopes
        solved = np.linalg.solve(
            self.legs, np.concatenate([self.between, of_legs[:, :, None]], axis=2)
        )
        ways, ends = solved[:, :, :-1], solved[:, :, -1]
        left = self.grounds - np.einsum('lpq,lpr->qr', self.between, ways)
        grounds = np.linalg.solve(left, of_grounds - np.einsum('lpq,lp->q', self.between, ends))
        return np.concatenate([(ends - ways @ grounds).ravel(), grounds])

    def inverse(self) -> Floats:
        """Invert them, shape (n, n)."""
        legs, unknowns, _ = self.legs.shape
        inverses = np.linalg.inv(self.legs)
        ways = inverses @ self.between
        left = np.linalg.inv(self.grounds - np.einsum('lpq,lpr->qr', self.between, ways))
        flat = ways.reshape(legs * unknowns, -1)
        found = np.block([[flat @ left @ flat.T, -flat @ left], [-left @ flat.T, left]])
        for leg in range(legs):
            own = slice(leg * unknowns, (leg + 1) * unknowns)
            found[own, own] += inverses[leg]
        return found


class Equations:
    """All equations of a robot.

    Parameters
    ----------
    model
        The unknowns.
    evidence
        What was measured.
    tolerances
        How well, and what was expected.

    Raises
    ------
    CalibrationError
        A position is no place, or its covariance cannot be one.

    """

    def __init__(self, model: Model, evidence: Evidence, tolerances: Tolerances) -> None:
        """Take all into columns."""
        self.model = model
        self.evidence = evidence
        self.tolerances = tolerances
        self.expected, self.spreads = model.expected(tolerances)
        # Of what is not known beforehand, the spread is no scale.
        self._scales = np.minimum(self.spreads, 0.02)
        joints = [joint for leg in model.legs for joint in leg.joints]
        #: Joint of each angle that was read, and its place among those of this joint.
        self.reading_places = tuple(
            (joint, place) for joint in joints for place in range(len(evidence.readings[joint]))
        )
        self._take_readings(joints)
        self._take_feet()

    def _take_readings(self, joints: list[str]) -> None:
        count = len(self.reading_places)
        self.angles = np.empty(count)
        self.reading_design = np.empty((count, OF_JOINT))
        self.reading_columns = np.empty((count, OF_JOINT), dtype=np.intp)
        first = 0
        for joint in joints:
            readings = self.evidence.readings[joint]
            own = slice(first, first + len(readings))
            first += len(readings)
            pulses = np.array([each.pulse_us for each in readings])
            sides = np.array([1.0 if each.approached == 'up' else -1.0 for each in readings])
            self.angles[own] = [each.angle for each in readings]
            self.reading_design[own] = self.model.design(joint, pulses, sides)
            place = self.model.place_of_joint(joint)
            self.reading_columns[own] = np.arange(place.start, place.stop)

    def _take_feet(self) -> None:
        """Take touches as feet of which the height alone is known: that of the ground."""
        evidence, everything = self.evidence, self.evidence.all_feet
        seen, touches = len(evidence.feet), len(evidence.touches)
        self.stands: Stands = self.model.stands([each.stand for each in everything])
        places = {number: place for place, number in enumerate(self.model.placements)}
        self.placements = np.array([places[each.placement] for each in everything], dtype=np.intp)
        self.foot_columns = self.model.columns(self.stands, self.placements)
        self.positions = np.zeros((len(everything), 3))
        self.covariances = np.tile(np.eye(3) * self.tolerances.touch**2, (len(everything), 1, 1))
        self.kinds = np.full(len(everything), TOUCH)
        for place, foot in enumerate(evidence.feet):
            self.positions[place] = foot.position
            self.covariances[place] = _covariance(foot, place)
            self.kinds[place] = FOOT if foot.point == 'foot' else MARKER
        self.of_marker = (self.kinds == MARKER).astype(np.float64)
        self.sides_unknown = np.array(
            [[side == 0 for side in each.stand.sides] for each in everything], dtype=np.float64
        ).reshape(-1, 3)
        self.given = np.ones((len(everything), 3), dtype=np.bool_)
        self.given[seen:, :2] = False
        self.touches = slice(seen, seen + touches)

    def loosen(self, values: Floats) -> None:
        """Trust positions less where it is not known from which side a joint came."""
        _, by_foot = self._on_ground(values)
        lag = hypot(self.tolerances.lag, self.tolerances.lag_spread)
        for axis in range(3):
            # The first coefficient of a joint is an angle that is added to its own.
            turned = by_foot[:, :, axis * OF_JOINT] * self.sides_unknown[:, axis, None] * lag
            self.covariances += turned[:, :, None] * turned[:, None, :]

    def all_used(self) -> Used:
        """Return what is used when nothing is doubted."""
        return Used(np.ones(len(self.angles), dtype=np.bool_), self.given, np.ones(4))

    def whiteners(self, used: Used) -> Floats:
        """Return what makes the coordinates of a foot independent, of deviation 1; (k, 3, 3)."""
        pairs = used.feet[:, :, None] & used.feet[:, None, :]
        # A coordinate that is not used stands alone, and is taken out afterwards.
        alone = np.where(pairs, self.covariances, np.eye(3))
        inverses = np.linalg.inv(np.linalg.cholesky(alone))
        scatter = used.scatter[self.kinds][:, None, None]
        whiteners: Floats = np.where(pairs, inverses, 0.0) / scatter
        return whiteners

    def deviations(self, values: Floats) -> tuple[Floats, Floats, Floats]:
        """Return angles read and positions seen, used or not, less those expected.

        Returns
        -------
        tuple
            Angles, rad, shape (r,); positions, m, shape (k, 3); and how the expected positions
            depend on the unknowns in `foot_columns`, shape (k, 3, p).

        """
        positions, by_foot = self._on_ground(values)
        angles = self.angles - np.sum(self.reading_design * values[self.reading_columns], axis=1)
        return angles, self.positions - positions, by_foot

    def solved(self, values: Floats, used: Used, *, robust: bool = False) -> Floats:
        """Return the most probable values of the unknowns, from others near them.

        Parameters
        ----------
        values
            To begin with, shape (n,).
        used
            What is used.
        robust
            Whether numbers that are far off pull less, so that typing errors do not draw all
            others to them: the square of a deviation z is replaced by f² log(1 + (z / f)²) with
            f = `FAR` (as if deviations had the distribution of Cauchy).

        Raises
        ------
        CalibrationError
            No values make the sum of the squares least, typing errors or not.

        """
        whiteners = self.whiteners(used)
        least, normal = self._linearised(values, used, whiteners, robust=robust)
        for _ in range(MOST_STEPS):
            step = normal.step()
            of_legs, of_grounds = normal.slopes
            gain = float(step @ np.concatenate([of_legs.ravel(), of_grounds]))
            if gain <= (LEAST_GAIN_AT_START if robust else LEAST_GAIN):
                return values
            share = 1.0
            for _ in range(MOST_HALVINGS):
                nearer = values + share * step * self._scales
                total, better = self._linearised(nearer, used, whiteners, robust=robust)
                if total < least:
                    break
                share /= 2.0
            else:
                # No digit is left that could make it smaller.
                return values
            values, least, normal = nearer, total, better
        if robust:
            # It is a start, and need not be an end.
            return values
        raise CalibrationError(
            f'after {MOST_STEPS} steps the measurements still agree with no robot: look whether '
            'legs or joints were confused, and whether all were measured on the same robot'
        )

    def covariance(self, values: Floats, used: Used) -> Floats:
        """Return the covariance of the unknowns at their most probable values, shape (n, n)."""
        _, normal = self._linearised(values, used, self.whiteners(used), robust=False)
        covariance: Floats = normal.inverse() * np.outer(self._scales, self._scales)
        return covariance

    def _linearised(
        self, values: Floats, used: Used, whiteners: Floats, *, robust: bool
    ) -> tuple[float, Normal]:
        """Return half the sum of the squares, and the normal equations."""
        angles, positions, by_foot = self.deviations(values)
        weights = used.readings / (self.tolerances.protractor * used.scatter[READING])
        angles = angles * weights
        feet = np.einsum('kij,kj->ki', whiteners, positions)
        by_foot = whiteners @ (by_foot * self._scales[self.foot_columns][:, None, :])
        expected = (self.expected - values) / self.spreads
        total = float(expected @ expected)
        if robust:
            squares = [(each / FAR) ** 2 for each in (angles, feet)]
            total += sum(FAR**2 * float(np.sum(np.log1p(square))) for square in squares)
            of_angles, of_feet = (1.0 / np.sqrt(1.0 + square) for square in squares)
            angles, weights = angles * of_angles, weights * of_angles
            feet, by_foot = feet * of_feet, by_foot * of_feet[:, :, None]
        else:
            total += float(np.sum(angles**2) + np.sum(feet**2))
        return total / 2.0, self._normal(angles, weights, feet, by_foot, expected)

    def _normal(
        self, angles: Floats, weights: Floats, feet: Floats, by_foot: Floats, expected: Floats
    ) -> Normal:
        model = self.model
        count, own, grounds = len(model.legs), model.of_leg, 6 * len(model.placements)
        relative = self._scales / self.spreads
        slopes = relative * expected
        diagonal = relative**2
        legs = np.zeros((count, own, own))
        legs[:, np.arange(own), np.arange(own)] = diagonal[: model.of_legs].reshape(count, own)
        between = np.zeros((count, own, grounds))
        of_grounds = np.diag(diagonal[model.of_legs :])

        # Of the three joints of a leg, the angles that were read.
        rows = self.reading_design * (weights[:, None] * self._scales[self.reading_columns])
        leg, first = np.divmod(self.reading_columns[:, 0], own)
        columns = first[:, None] + np.arange(OF_JOINT)
        products = rows[:, :, None] * rows[:, None, :]
        np.add.at(legs, (leg[:, None, None], columns[:, :, None], columns[:, None, :]), products)
        np.add.at(slopes, self.reading_columns, rows * angles[:, None])

        for place in range(count):
            chosen = self.stands.legs == place
            wide = np.zeros((int(chosen.sum()), 3, own + grounds))
            wide[:, :, :own] = by_foot[chosen][:, :, :own]
            places = own + 6 * self.placements[chosen][:, None, None] + np.arange(6)
            np.put_along_axis(wide, places, by_foot[chosen][:, :, own:], axis=2)
            flat = wide.reshape(-1, own + grounds)
            squares = flat.T @ flat
            legs[place] += squares[:own, :own]
            between[place] = squares[:own, own:]
            of_grounds += squares[own:, own:]
            pulled = feet[chosen].ravel() @ flat
            slopes[place * own : (place + 1) * own] += pulled[:own]
            slopes[model.of_legs :] += pulled[own:]
        return Normal(
            legs=legs,
            between=between,
            grounds=of_grounds,
            slopes=(slopes[: model.of_legs].reshape(count, own), slopes[model.of_legs :]),
        )

    def _on_ground(self, values: Floats) -> tuple[Floats, Floats]:
        return self.model.on_ground(values, self.stands, self.placements, self.of_marker)


def without_feet(used: Used) -> Used:
    """Use no foot at all."""
    return replace(used, feet=np.zeros_like(used.feet))


def _covariance(foot: FootSeen, place: int) -> Floats:
    """Return the covariance of a position, if both can be used."""
    covariance = np.array(foot.covariance, dtype=np.float64)
    what = f'position {place + 1}, of the foot of {foot.stand.leg}'
    if not np.all(np.isfinite(foot.position)):
        raise CalibrationError(f'{what}, is no place: {foot.position}; expected three numbers, m')
    if not (
        np.all(np.isfinite(covariance))
        and np.allclose(covariance, covariance.T)
        and np.linalg.eigvalsh(covariance)[0] > 0.0
    ):
        raise CalibrationError(
            f'{what}, has a covariance that cannot be one: {foot.covariance}; expected a '
            'symmetric, positive definite matrix, m²'
        )
    return covariance
