# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Numbers that do not belong to the others: mistyped, most likely.

A number is suspect when it lies beyond the prediction interval of a fit without it, at 1 % for all
of them together (the externally studentised residual with Bonferroni's correction: Cook and
Weisberg, Residuals and Influence in Regression, 1982; from memory). The first fit gives way to what
is far off, so that typing errors do not hide each other; what is suspect then is left out. After
that, one number of each leg is taken at a time, and the fit is made again: the worst that is
suspect is left out, and where none is, the best that is not suspect any more is taken back, until
nothing changes.

Of two angles at one pulse that contradict each other the one that the rest does not believe is left
out. At an end of a range the rest may not know: where it makes neither of them much more likely
than the other, both are left out, since the one that stays would be believed with nothing to check
it.

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
from leg_kinematics.identification.model import AXES, Floats, Places

#: What was given: an angle read off, a position of a foot, or a touch of the ground.
Kind = Literal['reading', 'foot', 'touch']

#: Of a robot without a typing error, the chance to have a number suspected.
FALSE_ALARM = 0.01

#: Where more of a kind, as a share, do not belong to the others, these are not typing errors.
MOST_MISTYPED = 0.25

#: That measurements scatter as the tolerances say counts as much as so many of them.
PRIOR_FREEDOM = 4.0

#: Of two angles that contradict each other one is believed when the rest makes it so many times as
#: likely as the other (our own).
MORE_LIKELY = 9.0

#: Pulses that are nearer are the same, µs: boards put out half microseconds.
SAME_US = 0.25

#: A scatter is settled when it changes by less, as a share.
SETTLED = 0.02

#: How much feet are said to scatter in the first fits, so that they do not turn maps which angles
#: tell better, before legs and ground are in their places.
SCATTERS_AT_START = (100.0, 20.0, 5.0, 1.0)

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
    variance = (equations.tolerances.protractor * used.scatter[READING]) ** 2
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


def excesses(equations: Equations, found: Judged, used: Used, *, first: bool) -> Floats:
    """Return how far all numbers are off, as multiples of what one may be off.

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

    Returns
    -------
    ndarray
        Of angles, then of x, y and z of all feet, shape (r + 3 k,).

    """
    numbers = len(found.readings) + int(np.sum(equations.given))

    def excess(deviations: Floats, trusted: Flags, kind: int) -> Floats:
        far = np.abs(deviations) * used.scatter[kind]
        if first:
            middle = float(np.median(far[trusted])) if np.any(trusted) else 0.0
            return np.asarray(far / (outlier_limit(numbers) * max(1.0, middle / MEDIAN_DEVIATION)))
        # What is used takes its own part out of the scatter.
        own = np.where(trusted, far**2, 0.0)
        freedom = found.freedom[kind] + PRIOR_FREEDOM - trusted
        squares = found.squares[kind] * used.scatter[kind] ** 2 - own + PRIOR_FREEDOM
        largest = np.sqrt(np.maximum(squares / freedom, 1.0))
        return np.asarray(far / (outlier_limit(numbers, freedom) * largest))

    feet = np.zeros_like(found.feet)
    for kind in (FOOT, MARKER, TOUCH):
        chosen = equations.kinds == kind
        feet[chosen] = excess(found.feet[chosen], used.feet[chosen], kind)
    return np.concatenate([excess(found.readings, used.readings, READING), feet.ravel()])


@dataclass(frozen=True)
class Settled:
    """A fit of what belongs together.

    Attributes
    ----------
    values, covariance
        Of the unknowns, shapes (n,) and (n, n).
    used
        What it was made of.

    """

    values: Floats
    covariance: Floats
    used: Used


def settled(equations: Equations, values: Floats) -> Settled:
    """Leave out what does not belong to the others, until nothing changes.

    Parameters
    ----------
    equations
        All of them.
    values
        Of the unknowns, as a first guess.

    """
    used = equations.all_used()
    given = _flat(used)
    for wide in SCATTERS_AT_START:
        of_kinds = np.where(np.arange(4) == READING, 1.0, wide)
        values = equations.solved(values, replace(used, scatter=of_kinds), robust=True)
    covariance = equations.covariance(values, used)
    excess = excesses(equations, judged(equations, values, covariance, used), used, first=True)
    chosen = given & (excess <= 1.0)
    # What does not even belong to the others after they have taken it back stays out.
    taken_back, for_good = np.zeros_like(given), np.zeros_like(given)
    trusted = np.zeros(4, dtype=np.bool_)
    while True:
        trusted |= _too_many(equations, chosen, given)
        chosen |= given & trusted[_kinds(equations)]
        used = _used(equations, chosen, used.scatter)
        values = equations.solved(values, used)
        covariance = equations.covariance(values, used)
        found = judged(equations, values, covariance, used)
        excess = excesses(equations, found, used, first=False)
        doubted = ~trusted[_kinds(equations)]
        out = _most(equations, excess, chosen & doubted & (excess > 1.0))
        waiting = given & ~chosen & ~for_good & (excess <= 1.0)
        back = _most(equations, -excess, waiting & ~_same_leg(equations, out))
        scatter = found.scatter(used)
        if not np.any(out | back) and np.all(np.abs(scatter / used.scatter - 1.0) < SETTLED):
            undecided = _undecided(equations, values, covariance, used)
            if trusted[READING] or not np.any(undecided):
                return Settled(values, covariance, used)
            for_good |= undecided
            chosen &= ~undecided
            continue
        for_good |= out & taken_back
        taken_back |= back
        chosen = (chosen & ~out) | back
        used = replace(used, scatter=scatter)


def _undecided(equations: Equations, values: Floats, covariance: Floats, used: Used) -> Flags:
    """Find angles that one at the same pulse contradicts, where the rest does not tell which.

    What the rest tells is the fit without the one that is believed so far (as in `fit._left_out`).
    """
    found = np.zeros(len(_flat(used)), dtype=np.bool_)
    for out in np.flatnonzero(~used.readings):
        (beside,) = np.nonzero(_beside(equations, int(out)) & used.readings)
        if len(beside) != 1:
            # Nothing is believed there, or two agree.
            continue
        kept = int(beside[0])
        if not _decided(equations, values, covariance, used, (int(out), kept)):
            found[out] = found[kept] = True
    return found


def _beside(equations: Equations, row: int) -> Flags:
    """Tell which angles were read of the same joint at the same pulse."""
    joint, place = equations.reading_places[row]
    readings = equations.evidence.readings
    pulse = readings[joint][place].pulse_us
    return np.array(
        [
            other == joint and abs(readings[other][at].pulse_us - pulse) < SAME_US
            for other, at in equations.reading_places
        ]
    )


def _decided(
    equations: Equations,
    values: Floats,
    covariance: Floats,
    used: Used,
    rows: tuple[int, int],
) -> bool:
    """Tell whether the rest makes the second of two angles much more likely than the first one."""
    design, columns = equations.reading_design[list(rows)], equations.reading_columns[rows[0]]
    known = design @ covariance[np.ix_(columns, columns)] @ design.T
    off = equations.angles[list(rows)] - design @ values[columns]
    variance = (equations.tolerances.protractor * used.scatter[READING]) ** 2
    # Without the second one, what is expected moves, and is known less well.
    share = known[:, 1] / (variance - known[1, 1])
    away = off + share * off[1]
    spread = variance + np.diag(known) + share * known[:, 1]
    wrong, right = away**2 / spread
    return bool(wrong - right > 2.0 * np.log(MORE_LIKELY))


def _flat(used: Used) -> Flags:
    return np.concatenate([used.readings, used.feet.ravel()])


def _used(equations: Equations, chosen: Flags, scatter: Floats) -> Used:
    count = len(equations.angles)
    return Used(chosen[:count], chosen[count:].reshape(-1, 3), scatter)


def _kinds(equations: Equations) -> Places:
    """Return the kind of each number, as `excesses` orders them."""
    readings = np.full(len(equations.angles), READING)
    return np.concatenate([readings, np.repeat(equations.kinds, 3)])


def _legs(equations: Equations) -> Places:
    """Return the leg of each number, as `excesses` orders them."""
    readings = equations.reading_columns[:, 0] // equations.model.of_leg
    return np.concatenate([readings, np.repeat(equations.stands.legs, 3)])


def _most(equations: Equations, sizes: Floats, among: Flags) -> Flags:
    """Return the largest of some, one for each leg: each changes how others of its leg look."""
    found = np.zeros_like(among)
    legs = _legs(equations)
    for leg in np.unique(legs[among]):
        places = np.flatnonzero(among & (legs == leg))
        found[places[np.argmax(sizes[places])]] = True
    return found


def _same_leg(equations: Equations, chosen: Flags) -> Flags:
    legs = _legs(equations)
    return np.isin(legs, legs[chosen])


def _too_many(equations: Equations, chosen: Flags, given: Flags) -> Flags:
    """Tell of which kinds so much is left out that these are no typing errors, shape (4,)."""
    kinds = _kinds(equations)
    left = np.bincount(kinds, given & ~chosen, minlength=4)
    found: Flags = left > MOST_MISTYPED * np.bincount(kinds, given, minlength=4)
    return found


def suspects(equations: Equations, fit: Settled) -> tuple[Suspect, ...]:
    """Name what was left out, angles first, as the fit without it sees it."""
    angles, positions, _ = equations.deviations(fit.values)
    found = judged(equations, fit.values, fit.covariance, fit.used)
    named = []
    for row in np.flatnonzero(~fit.used.readings):
        joint, place = equations.reading_places[row]
        given, off = float(equations.angles[row]), float(angles[row])
        spread = abs(off / float(found.readings[row]))
        named.append(Suspect('reading', joint, place, 'angle', given, given - off, spread))
    for row, axis in np.argwhere(equations.given & ~fit.used.feet):
        touch = bool(equations.kinds[row] == TOUCH)
        place = int(row) - equations.touches.start if touch else int(row)
        leg = equations.model.legs[equations.stands.legs[row]].name
        given, off = float(equations.positions[row, axis]), float(positions[row, axis])
        spread = abs(off / float(found.feet[row, axis]))
        kind: Kind = 'touch' if touch else 'foot'
        named.append(Suspect(kind, leg, place, AXES[axis], given, given - off, spread))
    return tuple(named)
