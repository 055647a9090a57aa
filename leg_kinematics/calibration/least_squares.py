# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Angles that were read, fitted over the pulses at which they were read.

The pulse is known, the angle is read with an error, so the angle is fitted by ordinary least
squares:

    angle = polynomial(pulse) + lag * side,    side = 1 where the pulse rose to its value, else -1

The lag is what slack and dead band leave behind on the way: half of the hysteresis.
"""

from dataclasses import dataclass
from itertools import combinations
from math import comb, inf, radians

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

Floats = NDArray[np.float64]

#: Share of the intervals that hold the true value.
CONFIDENCE = 0.95

#: Of a servo without a typing error, the chance to have a reading suspected.
FALSE_ALARM = 0.01

#: A smaller deviation is the eye and no slip of the fingers (our own), rad.
LEAST_TYPING_ERROR = radians(2.5)

#: Readings that scatter more about their curve were not all read the same way (our own), rad.
MOST_SCATTER = radians(3.0)

#: Where more of the readings, as a share, do not belong to the others, these are not typing errors.
MOST_MISTYPED = 0.25

#: So many sets of readings are tried at a time: all threes of 49, all pairs of 200.
MOST_SETS = 20_000

#: So many readings together are suspected that hide each other.
MOST_TOGETHER = 3


@dataclass(frozen=True)
class Estimate:
    """A value, and how far it can be trusted.

    Attributes
    ----------
    value
        In the unit of its name.
    standard_error
        In the same unit; infinite where there are no more readings than unknowns.
    half_width
        Of the 95 % interval around the value.

    """

    value: float
    standard_error: float
    half_width: float


@dataclass(frozen=True)
class Observations:
    """What was read, as columns of the same length.

    Attributes
    ----------
    pulses_us
        Known, µs.
    sides
        1 where the pulse rose to its value, else -1.
    angles
        As read, rad.

    """

    pulses_us: Floats
    sides: Floats
    angles: Floats

    def __len__(self) -> int:
        """Return how many."""
        return len(self.angles)

    def without(self, places: tuple[int, ...]) -> 'Observations':
        """Leave some out."""
        columns = (self.pulses_us, self.sides, self.angles)
        return Observations(*(np.delete(column, places) for column in columns))


@dataclass(frozen=True)
class Model:
    """What is fitted.

    Attributes
    ----------
    degree
        Of the polynomial.
    lag
        Whether there is one.
    middle_us, half_span_us
        Of the pulses, which are scaled by them to -1 … 1, so that the equations stay well
        conditioned.

    """

    degree: int
    lag: bool
    middle_us: float
    half_span_us: float

    @property
    def unknowns(self) -> int:
        """How many coefficients there are."""
        return self.degree + 1 + self.lag

    def rows(self, pulses_us: Floats, sides: Floats) -> Floats:
        """Return the design matrix, shape (n, unknowns); a side of 0 is between both."""
        scaled = (pulses_us - self.middle_us) / self.half_span_us
        powers = np.vander(scaled, self.degree + 1, increasing=True)
        return np.column_stack([powers, sides]) if self.lag else powers

    def determined_by(self, seen: Observations) -> bool:
        """Tell whether observations leave no coefficient open."""
        rows = self.rows(seen.pulses_us, seen.sides)
        return len(seen) >= self.unknowns and bool(np.linalg.matrix_rank(rows) == self.unknowns)


@dataclass(frozen=True)
class Fit:
    """A model with its coefficients and what is needed to judge them.

    Attributes
    ----------
    model
        What was fitted.
    coefficients
        Shape (unknowns,), rad.
    inverse
        Of the normal matrix; times the variance it is the covariance of the coefficients.
    rss
        Sum of the squared residuals, rad².
    freedom
        How many more observations than unknowns there are.

    """

    model: Model
    coefficients: Floats
    inverse: Floats
    rss: float
    freedom: int

    @property
    def variance(self) -> float:
        """Of one observation, rad²; infinite where nothing is left over to tell it."""
        return self.rss / self.freedom if self.freedom else inf

    @property
    def student(self) -> float:
        """Quantile of Student's t for a 95 % interval; infinite without a degree of freedom."""
        if not self.freedom:
            return inf
        return float(stdtrit(self.freedom, (1.0 + CONFIDENCE) / 2.0))

    def combination(self, weights: Floats) -> Estimate:
        """Return a weighted sum of the coefficients."""
        error = float(np.sqrt(self.variance * (weights @ self.inverse @ weights)))
        return Estimate(float(weights @ self.coefficients), error, self.student * error)

    def at(self, pulse_us: float) -> Estimate:
        """Return the angle at a pulse in µs, between both approaches, rad."""
        return self.combination(self.model.rows(np.array([pulse_us]), np.zeros(1))[0])

    def residuals(self, seen: Observations) -> Floats:
        """Return what was read beyond what is expected for that side, rad."""
        return seen.angles - self.model.rows(seen.pulses_us, seen.sides) @ self.coefficients


def least_squares(model: Model, seen: Observations) -> Fit:
    """Fit a model, which the observations must determine."""
    rows = model.rows(seen.pulses_us, seen.sides)
    q, r = np.linalg.qr(rows)
    coefficients = np.linalg.solve(r, q.T @ seen.angles)
    remainder = seen.angles - rows @ coefficients
    inverse = np.linalg.inv(r)
    return Fit(
        model=model,
        coefficients=coefficients,
        inverse=inverse @ inverse.T,
        rss=float(remainder @ remainder),
        freedom=len(seen) - model.unknowns,
    )


def mistyped(model: Model, seen: Observations) -> tuple[int, ...]:
    """Find observations that do not belong to the others.

    One is suspect when it lies beyond the prediction interval of a fit without it, at 1 % for all
    of them together (the externally studentised residual with Bonferroni's correction: Cook and
    Weisberg, Residuals and Influence in Regression, 1982; from memory), and so far away that it is
    no slip of the eye. Pairs and threes are left out as well, since they can hide each other. This
    goes on until nothing more is found. The last observation at the lowest or at the highest pulse
    is never suspect: beyond all others nothing is known of a curve. Nor is any where more than a
    quarter of them would be.

    Returns
    -------
    tuple of int
        Their places.

    """
    found: tuple[int, ...] = ()
    while True:
        places = np.delete(np.arange(len(seen)), found)
        more = _suspects(model, seen.without(found))
        if not more:
            return tuple(sorted(found))
        found += tuple(int(places[place]) for place in more)
        if len(found) > MOST_MISTYPED * len(seen):
            return ()


def _suspects(model: Model, seen: Observations) -> tuple[int, ...]:
    """Find the fewest that are suspect together; none if nothing is.

    Those come first without which the others scatter no more than readings do: of two typing errors
    beside each other, what is between them may be the farthest from a curve through both.
    """
    suspects: tuple[int, ...] = ()
    for size in range(1, MOST_TOGETHER + 1):
        # The more are left out, the more of the others must tell how much they scatter.
        if len(seen) - model.unknowns < 2 * size + 1 or comb(len(seen), size) > MOST_SETS:
            break
        worst = _worst(model, seen, size)
        rest = seen.without(worst)
        if not worst or not model.determined_by(rest):
            continue
        fit = least_squares(model, rest)
        if _all_beyond(fit, seen, worst):
            if fit.variance <= MOST_SCATTER**2:
                return worst
            suspects = suspects or worst
    return suspects


def _worst(model: Model, seen: Observations, size: int) -> tuple[int, ...]:
    """Return those observations without which the sum of squares is least.

    Without a set S it is less by e_S' (1 - H_SS)^-1 e_S, where H projects onto the columns of the
    design matrix and e are the residuals (Cook and Weisberg, as above).
    """
    fit = least_squares(model, seen)
    rows = model.rows(seen.pulses_us, seen.sides)
    left = np.eye(len(seen)) - rows @ fit.inverse @ rows.T
    residuals = fit.residuals(seen)
    sets = np.array(list(combinations(range(len(seen)), size)))
    for end in (seen.pulses_us.min(), seen.pulses_us.max()):
        at_end = seen.pulses_us == end
        sets = sets[at_end[sets].sum(axis=1) < at_end.sum()]
    blocks = left[sets[:, :, None], sets[:, None, :]]
    # Without such a set the others do not determine the model.
    sets = sets[np.linalg.det(blocks) > 1e-9]
    if not len(sets):
        return ()
    blocks = left[sets[:, :, None], sets[:, None, :]]
    lifted = residuals[sets]
    gains = np.einsum('si,si->s', lifted, np.linalg.solve(blocks, lifted[:, :, None])[:, :, 0])
    return tuple(int(place) for place in sets[int(np.argmax(gains))])


def _all_beyond(fit: Fit, seen: Observations, places: tuple[int, ...]) -> bool:
    """Tell whether all of these are beyond what the fit without them expects."""
    chosen = list(places)
    rows = fit.model.rows(seen.pulses_us, seen.sides)[chosen]
    deviations = np.abs(fit.residuals(seen)[chosen])
    spread = fit.variance * (1.0 + np.einsum('ij,jk,ik->i', rows, fit.inverse, rows))
    bound = stdtrit(fit.freedom, 1.0 - FALSE_ALARM / (2.0 * len(seen)))
    return bool(np.all(deviations > np.maximum(bound * np.sqrt(spread), LEAST_TYPING_ERROR)))
