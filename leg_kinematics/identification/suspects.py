# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Numbers that do not belong to the others: mistyped, most likely.

A number is suspect when it lies beyond the prediction interval of a fit without it, at 1 % for all
of them together (the externally studentised residual with Bonferroni's correction: Cook and
Weisberg, Residuals and Influence in Regression, 1982; from memory). All suspects are left out, the
fit is made again, and all numbers are judged anew, those that were left out as well, until nothing
changes. The first fit gives way to what is far off, so that typing errors do not hide each other.

A coordinate of a position stands for a shift along its axis: where coordinates depend on each
other, as those of a camera do, all three say whether there was one.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.special import stdtrit

from leg_kinematics.identification.equations import (
    FOOT,
    MARKER,
    READING,
    TOUCH,
    Equations,
    Flags,
    Used,
)
from leg_kinematics.identification.model import AXES, Floats

#: What was given: an angle read off, a position of a foot, or a touch of the ground.
Kind = Literal['reading', 'foot', 'touch']

#: Of a robot without a typing error, the chance to have a number suspected.
FALSE_ALARM = 0.01

#: Where more of a kind, as a share, do not belong to the others, these are not typing errors.
MOST_MISTYPED = 0.25

#: That measurements scatter as the tolerances say counts as much as so many of them.
PRIOR_FREEDOM = 4.0

#: Rounds of leaving out and taking back, after which what is left out stays so.
MOST_ROUNDS = 10

#: A scatter is settled when it changes by less, as a share.
SETTLED = 0.02

#: So many degrees of freedom make Student's t a normal distribution.
INFINITE = 1e9

#: Median of the absolute value of a normal deviation, as a share of its standard deviation.
MEDIAN_DEVIATION = 0.6744897501960817


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


@dataclass(frozen=True)
class Judged:
    """All numbers, beside what a fit says of them.

    Attributes
    ----------
    readings, feet
        How far each number is from what is expected of it, as a multiple of the standard deviation
        of that difference by the tolerances and the scatter of the fit, shapes (r,) and (k, 3):
        (internally) studentised residuals of what was used, and of what was not its distance from
        the prediction.
    squares
        Of the residuals that were used, summed for each kind, as multiples of the variances of the
        fit, shape (4,).
    freedom
        Of each kind, how many more numbers there are than unknowns that they tell, shape (4,).

    """

    readings: Floats
    feet: Floats
    squares: Floats
    freedom: Floats

    def scatter(self, used: Used) -> Floats:
        """Return that of each kind by all its residuals; 1 or more, shape (4,)."""
        squares = self.squares * used.scatter**2 + PRIOR_FREEDOM
        return np.sqrt(np.maximum(squares / (self.freedom + PRIOR_FREEDOM), 1.0))


def judged(equations: Equations, values: Floats, covariance: Floats, used: Used) -> Judged:
    """Compare all numbers with what a fit says of them.

    Parameters
    ----------
    equations
        All of them.
    values, covariance
        Of the fit.
    used
        What it was made of.

    """
    angles, positions, by_foot = equations.deviations(values)
    design, columns = equations.reading_design, equations.reading_columns
    of_fit = np.einsum(
        'ri,rij,rj->r', design, covariance[columns[:, :, None], columns[:, None, :]], design
    )
    variance = (equations.protractor * used.scatter[READING]) ** 2
    left = np.where(used.readings, variance - of_fit, variance + of_fit)
    readings = angles / np.sqrt(left)

    # For a shift along an axis the whitened residual is the shift times a column of the whitener.
    whiteners = equations.whiteners(used)
    residuals = np.einsum('kij,kj->ki', whiteners, positions)
    of_feet = expected_covariances(covariance, equations, by_foot)
    known = whiteners @ of_feet @ whiteners.transpose(0, 2, 1)
    shifts = np.einsum('kia,kij,kja->ka', whiteners, np.eye(3) - known, whiteners)
    along = np.einsum('kia,ki->ka', whiteners, residuals)
    scatter = used.scatter[equations.kinds][:, None]
    own = np.diagonal(equations.covariances, axis1=1, axis2=2) * scatter**2
    predicted = positions / np.sqrt(own + np.diagonal(of_feet, axis1=1, axis2=2))
    feet = np.where(used.feet, along / np.sqrt(np.where(used.feet, shifts, 1.0)), predicted)

    squares, freedom = np.zeros(4), np.zeros(4)
    squares[READING] = np.sum((angles**2 / variance)[used.readings])
    freedom[READING] = np.sum((1.0 - of_fit / variance)[used.readings])
    for kind in (FOOT, MARKER, TOUCH):
        chosen = equations.kinds == kind
        squares[kind] = np.sum(residuals[chosen] ** 2)
        freedom[kind] = np.sum(used.feet[chosen]) - np.trace(known[chosen], axis1=1, axis2=2).sum()
    return Judged(readings, feet, squares, freedom)


def outlier_limit(
    numbers: int, freedom: Floats | float = np.inf, chance: float = FALSE_ALARM
) -> Floats | float:
    """Return how many standard deviations one of so many numbers may be off, as Bonferroni has it.

    Parameters
    ----------
    numbers
        Of which none is to be suspected,
    freedom
        where so many degrees of freedom tell the standard deviation,
    chance
        but with this probability.

    """
    limit: Floats | float = stdtrit(np.minimum(freedom, INFINITE), 1.0 - chance / (2.0 * numbers))
    return limit


def expected_covariances(covariance: Floats, equations: Equations, by_foot: Floats) -> Floats:
    """Return the covariances of the positions that a fit expects, m², shape (k, 3, 3)."""
    columns = equations.foot_columns
    own = covariance[columns[:, :, None], columns[:, None, :]]
    found: Floats = by_foot @ own @ by_foot.transpose(0, 2, 1)
    return found


def belonging(equations: Equations, found: Judged, used: Used, *, first: bool) -> Used:
    """Return what belongs to the others.

    Parameters
    ----------
    equations
        All of them.
    found
        From `judged`.
    used
        What the fit was made of.
    first
        Whether typing errors may still be among it; then the scatter is told by the median of
        the deviations, which they do not move.

    """
    numbers = len(found.readings) + int(np.sum(equations.given))

    def beyond(deviations: Floats, trusted: Flags, kind: int) -> Flags:
        far = np.abs(deviations) * used.scatter[kind]
        if first:
            middle = float(np.median(far[trusted])) if np.any(trusted) else 0.0
            return np.greater(far, outlier_limit(numbers) * max(1.0, middle / MEDIAN_DEVIATION))
        # What is used takes its own part out of the scatter.
        own = np.where(trusted, far**2, 0.0)
        freedom = found.freedom[kind] + PRIOR_FREEDOM - trusted
        squares = found.squares[kind] * used.scatter[kind] ** 2 - own + PRIOR_FREEDOM
        largest = np.sqrt(np.maximum(squares / freedom, 1.0))
        return np.greater(far, outlier_limit(numbers, freedom) * largest)

    readings = ~beyond(found.readings, used.readings, READING)
    feet = equations.given.copy()
    for kind in (FOOT, MARKER, TOUCH):
        chosen = equations.kinds == kind
        feet[chosen] &= ~beyond(found.feet[chosen], used.feet[chosen], kind)
    return replace(used, readings=readings, feet=feet)


def settled(equations: Equations, values: Floats, used: Used) -> tuple[Floats, Used, Floats]:
    """Leave out what does not belong to the others, until nothing changes."""
    trusted = np.zeros(4, dtype=np.bool_)
    for number in range(MOST_ROUNDS):
        covariance = equations.covariance(values, used)
        found = judged(equations, values, covariance, used)
        better = belonging(equations, found, used, first=number == 0)
        trusted |= _too_many(equations, better)
        better = _restored(equations, better, trusted)
        if number:
            better = replace(better, scatter=found.scatter(used))
        if number and _same(better, used):
            break
        used = better
        values = equations.solved(values, used)
    return values, used, equations.covariance(values, used)


def _same(one: Used, other: Used) -> bool:
    return (
        np.array_equal(one.readings, other.readings)
        and np.array_equal(one.feet, other.feet)
        and bool(np.all(np.abs(one.scatter / other.scatter - 1.0) < SETTLED))
    )


def _too_many(equations: Equations, used: Used) -> Flags:
    """Tell of which kinds so much is left out that these are no typing errors, shape (4,)."""
    found = np.zeros(4, dtype=np.bool_)
    found[READING] = np.mean(~used.readings) > MOST_MISTYPED
    for kind in (FOOT, MARKER, TOUCH):
        given = equations.given[equations.kinds == kind]
        left = given & ~used.feet[equations.kinds == kind]
        found[kind] = np.sum(left) > MOST_MISTYPED * np.sum(given)
    return found


def _restored(equations: Equations, used: Used, trusted: Flags) -> Used:
    """Use all numbers of some kinds."""
    return replace(
        used,
        readings=used.readings | trusted[READING],
        feet=np.where(trusted[equations.kinds][:, None], equations.given, used.feet),
    )


def suspects(
    equations: Equations, values: Floats, found: Judged, used: Used
) -> tuple[Suspect, ...]:
    """Name what was left out, angles first, as a fit without it and `judged` see it."""
    angles, positions, _ = equations.deviations(values)
    named = []
    for row in np.flatnonzero(~used.readings):
        joint, place = equations.reading_places[row]
        given, off = float(equations.angles[row]), float(angles[row])
        spread = abs(off / float(found.readings[row]))
        named.append(Suspect('reading', joint, place, 'angle', given, given - off, spread))
    for row, axis in np.argwhere(equations.given & ~used.feet):
        touch = bool(equations.kinds[row] == TOUCH)
        place = int(row) - equations.touches.start if touch else int(row)
        leg = equations.model.legs[equations.stands.legs[row]].name
        given, off = float(equations.positions[row, axis]), float(positions[row, axis])
        spread = abs(off / float(found.feet[row, axis]))
        kind: Kind = 'touch' if touch else 'foot'
        named.append(Suspect(kind, leg, place, AXES[axis], given, given - off, spread))
    return tuple(named)
