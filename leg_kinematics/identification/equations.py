# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What was measured and what was expected, as equations of the unknowns.

Each says by how much a number is away from what the unknowns make of it, as a multiple of its
standard deviation. The unknowns that make the sum of the squares least are the most probable ones
(maximum a posteriori), since all deviations count as normally distributed.
"""

from dataclasses import dataclass, replace
from math import hypot

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import least_squares

from leg_kinematics.errors import CalibrationError
from leg_kinematics.identification.evidence import Evidence, FootSeen
from leg_kinematics.identification.model import OF_JOINT, Floats, Model, Stands
from leg_kinematics.identification.tolerances import Tolerances

Flags = NDArray[np.bool_]

#: Kinds of what is measured, each of which has its own scatter.
READING, FOOT, MARKER, TOUCH = range(4)

#: Beyond so many standard deviations a number pulls less and less, at the start.
FAR = 2.0


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
class Rows:
    """All equations at some values of the unknowns, as multiples of standard deviations.

    Attributes
    ----------
    readings, by_reading
        Angles read less angles expected, shape (r,), and how the latter depend on the unknowns,
        shape (r, n).
    feet, by_foot
        The same of feet, shapes (k, 3) and (k, 3, n), made independent of each other within a foot.
    expected
        What was expected of the unknowns less what they are, shape (n,).

    """

    readings: Floats
    by_reading: Floats
    feet: Floats
    by_foot: Floats
    expected: Floats


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
        The covariance of a position cannot be one.

    """

    def __init__(self, model: Model, evidence: Evidence, tolerances: Tolerances) -> None:
        """Take all into columns."""
        self.model = model
        self.expected, self.spreads = model.expected(tolerances)
        self._lag = hypot(tolerances.lag, tolerances.lag_spread)
        joints = [joint for leg in model.legs for joint in leg.joints]
        #: Joint of each angle that was read, and its place among those of this joint.
        self.reading_places = tuple(
            (joint, place) for joint in joints for place in range(len(evidence.readings[joint]))
        )
        self._take_readings(evidence, joints, tolerances)
        self._take_feet(evidence, tolerances)

    def _take_readings(self, evidence: Evidence, joints: list[str], tolerances: Tolerances) -> None:
        count = len(self.reading_places)
        self.angles = np.empty(count)
        self.by_angle = np.zeros((count, len(self.model)))
        self.protractor = tolerances.protractor
        first = 0
        for joint in joints:
            readings = evidence.readings[joint]
            own = slice(first, first + len(readings))
            first += len(readings)
            pulses = np.array([each.pulse_us for each in readings])
            sides = np.array([1.0 if each.approached == 'up' else -1.0 for each in readings])
            self.angles[own] = [each.angle for each in readings]
            self.by_angle[own, self.model.place_of_joint(joint)] = self.model.design(
                joint, pulses, sides
            )

    def _take_feet(self, evidence: Evidence, tolerances: Tolerances) -> None:
        """Take touches as feet of which the height alone is known: that of the ground."""
        everything = evidence.all_feet
        seen, touches = len(evidence.feet), len(evidence.touches)
        self.stands: Stands = self.model.stands([each.stand for each in everything])
        places = {number: place for place, number in enumerate(self.model.placements)}
        self.placements = np.array([places[each.placement] for each in everything], dtype=np.intp)
        self.positions = np.zeros((len(everything), 3))
        self.covariances = np.tile(np.eye(3) * tolerances.touch**2, (len(everything), 1, 1))
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

    def loosened(self, values: Floats) -> None:
        """Trust positions less where it is not known from which side a joint came."""
        _, by_foot = self._on_ground(values)
        first = self.stands.legs * self.model.of_leg
        for axis in range(3):
            turned = np.take_along_axis(by_foot, (first + axis * OF_JOINT)[:, None, None], axis=2)[
                :, :, 0
            ]
            turned = turned * (self._lag * self.sides_unknown[:, axis])[:, None]
            self.covariances += turned[:, :, None] * turned[:, None, :]

    def all_used(self) -> Used:
        """Return what is used when nothing is doubted."""
        return Used(np.ones(len(self.angles), dtype=np.bool_), self.given, np.ones(4))

    def rows(self, values: Floats, used: Used) -> Rows:
        """Return all equations; those of numbers that are not used are 0."""
        weights = used.readings / (self.protractor * used.scatter[READING])
        positions, by_foot = self._on_ground(values)
        whiteners = self.whiteners(used)
        return Rows(
            readings=(self.angles - self.by_angle @ values) * weights,
            by_reading=self.by_angle * weights[:, None],
            feet=np.einsum('kij,kj->ki', whiteners, self.positions - positions),
            by_foot=whiteners @ by_foot,
            expected=(self.expected - values) / self.spreads,
        )

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
        """Return angles read and positions seen, used or not, less those expected, rad and m.

        Returns
        -------
        tuple
            Shapes (r,), (k, 3), and how the expected positions depend on the unknowns,
            shape (k, 3, n).

        """
        positions, by_foot = self._on_ground(values)
        return self.angles - self.by_angle @ values, self.positions - positions, by_foot

    def solved(self, values: Floats, used: Used, *, robust: bool = False) -> Floats:
        """Return the most probable values of the unknowns, from others near them.

        Parameters
        ----------
        values
            To begin with, shape (n,).
        used
            What is used.
        robust
            Whether positions that are far off pull less (soft absolute value in place of the
            square), so that typing errors do not draw all others to them.

        """
        count = len(self.angles) + self.positions.size
        positions = slice(len(self.angles), count)

        def softened(squares: Floats) -> Floats:
            loss = np.stack([squares, np.ones_like(squares), np.zeros_like(squares)])
            root = np.sqrt(1.0 + squares[positions])
            loss[:, positions] = 2.0 * (root - 1.0), 1.0 / root, -0.5 / root**3
            return loss

        last: dict[bytes, tuple[Floats, Floats]] = {}

        def both(place: Floats) -> tuple[Floats, Floats]:
            key = place.tobytes()
            if key not in last:
                last.clear()
                rows = self.rows(place, used)
                last[key] = (
                    np.concatenate([rows.readings, rows.feet.ravel(), rows.expected]),
                    -np.concatenate(
                        [
                            rows.by_reading,
                            rows.by_foot.reshape(-1, len(self.model)),
                            np.diag(1.0 / self.spreads),
                        ]
                    ),
                )
            return last[key]

        found = least_squares(
            lambda place: both(place)[0],
            values,
            jac=lambda place: both(place)[1],
            x_scale=np.minimum(self.spreads, 0.02),
            loss=softened if robust else 'linear',
            f_scale=FAR if robust else 1.0,
            xtol=1e-9,
            ftol=1e-9,
            gtol=1e-9,
        )
        result: Floats = found.x
        return result

    def covariance(self, values: Floats, used: Used) -> Floats:
        """Return the covariance of the unknowns at their most probable values, shape (n, n)."""
        rows = self.rows(values, used)
        # Scaled, so that radians and metres are alike.
        scale = np.minimum(self.spreads, 1.0)
        by_foot = rows.by_foot.reshape(-1, len(scale)) * scale
        by_reading = rows.by_reading * scale
        normal = by_foot.T @ by_foot + by_reading.T @ by_reading
        normal[np.diag_indices_from(normal)] += (scale / self.spreads) ** 2
        inverse: Floats = cho_solve(cho_factor(normal), np.eye(len(scale)))
        covariance: Floats = inverse * np.outer(scale, scale)
        return covariance

    def _on_ground(self, values: Floats) -> tuple[Floats, Floats]:
        return self.model.on_ground(values, self.stands, self.placements, self.of_marker)


def without_feet(used: Used) -> Used:
    """Use no foot at all."""
    return replace(used, feet=np.zeros_like(used.feet))


def _covariance(foot: FootSeen, place: int) -> Floats:
    covariance = np.array(foot.covariance, dtype=np.float64)
    if not (
        np.all(np.isfinite(covariance))
        and np.allclose(covariance, covariance.T)
        and np.linalg.eigvalsh(covariance)[0] > 0.0
    ):
        raise CalibrationError(
            f'position {place + 1}, of the foot of {foot.stand.leg}, has a covariance that cannot '
            f'be one: {foot.covariance}; expected a symmetric, positive definite matrix, m²'
        )
    return covariance
