# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A line that a foot really went along, marked on paper, beside what was to be expected of it.

The foot stands at stops on the way, and each is marked. A ruler laid through the first and the
last mark shows how far the others are beside it. What was to be expected comes in parts that add
up: steps of the pulses and dead bands, as `design.lines` has them, and the slack that was measured.
What none of them explains is left over.

A servo rests as near to its pulse as its dead band wants, and a joint with slack as near to its
servo as the slack wants: one after the other is the same as one band that is as wide as both.

**What is left over** is judged by the scatter of the marks: all are placed and read equally well,
and each deviation holds the errors of the first and the last mark as well. By the inverse of that
covariance a bow 4 f (1 - f) over the share f of the way is fitted (generalised least squares); the
sum of squares of the rest, weighted by it, is distributed as chi-square with one degree of freedom
less than there are deviations. Both are from memory, of any textbook on linear models. They are
independent of each other, so that each is given half of the chance of a false alarm.
"""

import enum
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from math import hypot, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from leg_kinematics.calibration import ServoMap
from leg_kinematics.design.lines import Array, as_told, feet_at, pulses_of, rests
from leg_kinematics.errors import CalibrationError
from leg_kinematics.robot import Leg, Vector
from leg_kinematics.solver import LegReach, LegSolver, Trajectory, straight_move

#: Stops on a line, those at its ends among them.
STOPS = 9

#: The line reaches so far from where the foot stands, as a share of its room there. The foot comes
#: from a little farther back, so that every joint has taken up its slack before the first stop.
HALF_LINE, RUN_UP = 0.75, 0.95

#: A foot that has less room than this draws no line, m.
LEAST_ROOM = 0.01

#: A stop is come to within this of the line, m.
TOLERANCE = 0.0002

#: Between two stops no less, s.
SHORTEST = 0.5

#: Standard deviation of a mark: the pen beside the tip, and the ruler (common practice, no source),
#: m.
MARK = 0.00025

#: A rest less probable than this, and a bow of more standard errors, are not by chance: 2.5 % each,
#: the latter of a normal distribution.
BY_CHANCE, SURE = 0.025, 2.241403

#: A deviation farther than this from what is expected is asked about, m.
SURPRISING = 0.004

#: A foot nearer to its coxa axis is right below it, m.
NEAREST = 1e-6

#: Of a direction.
ROUNDING = 1e-9

#: Within this a change of pulse tells the gain of a servo, rad.
NEAR = 0.01

MM = 1e3


@dataclass(frozen=True)
class LinePlan:
    """A line for one foot.

    Attributes
    ----------
    leg
        Its name.
    joints
        Of this leg, from the body outwards.
    start
        Where the foot comes from, in `base_link`, m.
    start_angles
        Of the joints there, rad.
    stops
        In `base_link`, m.
    moves
        One a stop, of the joints, from the stop before; the first from `start`. From rest to rest.

    """

    leg: str
    joints: tuple[str, str, str]
    start: Vector
    start_angles: Vector
    stops: tuple[Vector, ...]
    moves: tuple[Trajectory, ...]

    @property
    def shares(self) -> Array:
        """Of the way at which the stops are, from 0 to 1."""
        return np.linspace(0.0, 1.0, len(self.stops))

    @property
    def length(self) -> float:
        """From the first to the last stop, m."""
        return float(np.linalg.norm(np.subtract(self.stops[-1], self.stops[0])))


def plan_line(
    solver: LegSolver, foot: Vector, speeds: Mapping[str, float], stops: int = STOPS
) -> LinePlan:
    """Plan a level line through a place of the foot, at right angles to the way to its coxa axis.

    There all three joints turn. It leads forward, or to the left where it leads aside.

    Parameters
    ----------
    solver
        Of the leg, with the ranges of the servo maps.
    foot
        The middle of the line, in `base_link`, m: where the foot stands, a little above the paper.
    speeds
        How fast each joint may be, rad/s by name.
    stops
        How many.

    Raises
    ------
    CalibrationError
        The foot has no room there.
    ReachError, JointLimitError, MapRangeError
        It cannot be there at all.

    """
    solver.angles(foot)
    room = LegReach(solver).margin(foot)
    if room < LEAST_ROOM:
        raise CalibrationError(
            f'{solver.name} has only {MM * room:.1f} mm of room around x {MM * foot[0]:.1f}, y '
            f'{MM * foot[1]:.1f}, z {MM * foot[2]:.1f} mm in base_link, and a line needs '
            f'{MM * LEAST_ROOM:g} mm; put the paper higher or lower'
        )
    ahead, aside = _across(solver, foot)
    x, y, z = foot

    def place(share: float) -> Vector:
        return (x + room * share * ahead, y + room * share * aside, z)

    places = [place(share) for share in np.linspace(-HALF_LINE, HALF_LINE, stops).tolist()]
    start = place(-RUN_UP)
    paces = [speeds[joint] for joint in solver.joints]
    way = [start, *places]
    moves = tuple(
        straight_move([solver], [here], [there], SHORTEST, tolerance=TOLERANCE, speeds=paces)
        for here, there in pairwise(way)
    )
    return LinePlan(solver.name, solver.joints, start, solver.angles(start), tuple(places), moves)


def _across(solver: LegSolver, foot: Vector) -> tuple[float, float]:
    """Direction at right angles to the way from the coxa axis to the foot, forward or to the left.

    Where the foot is right below the axis it is forward.
    """
    outwards, leftwards, _ = np.subtract(foot, solver.mount.position).tolist()
    length = hypot(outwards, leftwards)
    if length < NEAREST:
        return (1.0, 0.0)
    ahead, aside = -leftwards / length, outwards / length
    backwards = ahead < -ROUNDING or (ahead < ROUNDING and aside < 0.0)
    return (-ahead, -aside) if backwards else (ahead, aside)


def beside_ruler(marks: Array) -> Array:
    """Tell how far marks are beside a ruler through the first and the last one, m.

    Parameters
    ----------
    marks
        In a frame whose z is up, m, shape (n, 2 or more).

    Returns
    -------
    ndarray
        Above 0 to the left, as one looks from the first to the last; shape (n,).

    """
    way = marks[-1, :2] - marks[0, :2]
    x, y = way / np.linalg.norm(way)
    off = marks[:, :2] - marks[0, :2]
    beside: Array = x * off[:, 1] - y * off[:, 0]
    return beside


@dataclass(frozen=True)
class ExpectedLine:
    """How far each stop is to be expected beside the ruler, in parts, m, shape (n,) each.

    Attributes
    ----------
    steps
        By the steps of the pulses.
    dead_band
        By dead bands as the description has them; with `steps` what `check` tells.
    slack
        By what was measured beyond the dead bands.

    """

    steps: Array
    dead_band: Array
    slack: Array

    @property
    def whole(self) -> Array:
        """All parts together."""
        return self.steps + self.dead_band + self.slack


def expected_line(
    plan: LinePlan,
    way: Sequence[Mapping[str, float]],
    leg: Leg,
    solver: LegSolver,
    maps: Mapping[str, ServoMap],
    *,
    lags: Mapping[str, float],
) -> ExpectedLine:
    """Work out where the marks are to be expected.

    Parameters
    ----------
    plan
        The line.
    way
        Joint angles from place to place by which the leg comes to where the line starts, rad by
        name: from which side each joint comes there is known by them.
    leg, solver
        Description and solver of the leg.
    maps
        By joint.
    lags
        How far each joint was measured to stay behind its pulse, on either side, rad by name; what
        is missing was not measured.

    """
    joints = [maps[joint] for joint in plan.joints]
    half_bands = np.array([0.5 * link.servo.dead_band_us for link in leg.links])
    half_lags = np.array(
        [
            lags.get(each.joint, 0.0) * _gain(each, angle)
            for each, angle in zip(joints, plan.start_angles, strict=True)
        ]
    )
    # Between two places a joint turns one way only, so that nothing but the places counts.
    coming = [[each.pulse_us(place[each.joint]) for each in joints] for place in way]
    told = [as_told(np.array(coming)), *(as_told(pulses_of(joints, move)) for move in plan.moves)]
    ends = np.cumsum([len(each) for each in told]) - 1
    whole = np.vstack(told)

    def at_stops(half_widths: Array) -> Array:
        stands = rests(whole[0], whole, half_widths)[ends[1:]]
        return beside_ruler(feet_at(solver, joints, stands))

    steps = at_stops(np.zeros(3))
    rested = at_stops(half_bands)
    slack = at_stops(np.maximum(half_bands, half_lags))
    return ExpectedLine(steps, rested - steps, slack - rested)


def _gain(each: ServoMap, angle: float) -> float:
    """Change of pulse with angle near an angle, whichever way the servo turns, µs/rad."""
    low, high = each.angle_range
    below, above = max(low, angle - NEAR), min(high, angle + NEAR)
    return abs(each.pulse_us(above) - each.pulse_us(below)) / (above - below)


class Leftover(enum.Enum):
    """What is left over of a line once all is taken off that was to be expected."""

    SCATTER = enum.auto()
    """No more than marks and ruler scatter."""
    BOW = enum.auto()
    """A bow, and beside it no more than that."""
    OTHER = enum.auto()
    """Something that changes from mark to mark."""


@dataclass(frozen=True)
class MarkedLine:
    """A line as it was marked, beside what was to be expected of it.

    Attributes
    ----------
    plan
        The line.
    expected
        What was to be expected.
    measured
        How far each mark is beside the ruler, m, shape (n,); 0 at both ends.

    """

    plan: LinePlan
    expected: ExpectedLine
    measured: Array

    @property
    def left(self) -> Array:
        """What none of the parts explains, m, shape (n,)."""
        return self.measured - self.expected.whole

    @cached_property
    def _weights(self) -> NDArray[np.float64]:
        """Inverse of the covariance of the deviations between the ends, 1/m²."""
        share = self.plan.shares[1:-1]
        own = np.eye(len(share))
        by_ends = np.outer(1.0 - share, 1.0 - share) + np.outer(share, share)
        return np.asarray(np.linalg.inv(MARK**2 * (own + by_ends)), dtype=np.float64)

    @cached_property
    def bow(self) -> tuple[float, float]:
        """What is left in the middle as a bow, with its standard error, m."""
        share = self.plan.shares[1:-1]
        shape = 4.0 * share * (1.0 - share)
        weight = float(shape @ self._weights @ shape)
        return float(shape @ self._weights @ self.left[1:-1]) / weight, 1.0 / sqrt(weight)

    @property
    def probability(self) -> float:
        """That marks and ruler alone leave as much over beside the bow, or more."""
        share = self.plan.shares[1:-1]
        rest = self.left[1:-1] - self.bow[0] * 4.0 * share * (1.0 - share)
        return float(chdtrc(len(rest) - 1, rest @ self._weights @ rest))

    @property
    def verdict(self) -> Leftover:
        """What is left over."""
        if self.probability < BY_CHANCE:
            return Leftover.OTHER
        bow, error = self.bow
        return Leftover.BOW if abs(bow) >= SURE * error else Leftover.SCATTER

    @property
    def oddest(self) -> int:
        """Number of the mark that is farthest from where the others have it, from 0."""
        weighted = self._weights @ self.left[1:-1]
        # The deviation from what all others say, in its standard errors.
        return 1 + int(np.argmax(np.abs(weighted) / np.sqrt(np.diag(self._weights))))


def mark_line(plan: LinePlan, expected: ExpectedLine, typed: Sequence[float]) -> MarkedLine:
    """Take how far the marks between the ends are beside the ruler, m, to the left above 0.

    Raises
    ------
    CalibrationError
        There are not as many as marks.

    """
    if len(typed) != len(plan.stops) - 2:
        raise CalibrationError(
            f'a line of {len(plan.stops)} marks needs {len(plan.stops) - 2} deviations, one for '
            f'each mark between the ends, got {len(typed)}'
        )
    return MarkedLine(plan, expected, np.array([0.0, *typed, 0.0]))


def line_in_words(line: MarkedLine) -> tuple[str, ...]:
    """Say what a line was like, what explains it, and what to do about the rest."""
    plan, parts = line.plan, line.expected
    told = parts.steps + parts.dead_band
    shares = (
        ('steps of the pulses', parts.steps),
        ('dead bands', parts.dead_band),
        ('slack as measured', parts.slack),
        ('left over', line.left),
    )
    summary = (
        f'{plan.leg} went {MM * plan.length:.0f} mm, and its marks are up to '
        f'{_worst(line.measured)} beside the ruler; check expects up to {_worst(told)}, and with '
        f'the slack that was measured up to {_worst(parts.whole)}.'
    )
    return (
        summary,
        'At most: ' + ', '.join(f'{name} {_worst(part)}' for name, part in shares) + '.',
        _rest_in_words(line),
    )


def _rest_in_words(line: MarkedLine) -> str:
    match line.verdict:
        case Leftover.SCATTER:
            return (
                f'What is left over is no more than pen and ruler scatter, {MM * MARK:g} mm a mark.'
            )
        case Leftover.BOW:
            bow, error = line.bow
            side = 'left' if bow > 0.0 else 'right'
            return (
                f'What is left over is a bow of {MM * abs(bow):.1f} mm to the {side}, known '
                f'within {MM * SURE * error:.1f} mm: servo maps or lengths are not right along '
                f'this line. Survey {line.plan.leg} again, with points near it.'
            )
    return (
        'What is left over changes from mark to mark, by more than pen and ruler scatter. Look at '
        f'mark {line.oddest + 1} first, whether it was read and typed right. If it was, something '
        'is loose, or a servo binds: move the foot by hand with the pulses on, and look which '
        'joint gives way.'
    )


def _worst(deviations: Array) -> str:
    return f'{MM * float(np.abs(deviations).max()):.2g} mm'
