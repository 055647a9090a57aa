# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""From angles read off a protractor to the servo map of a joint, and how far it can be trusted.

A straight line is fitted over the pulse, and beside it, wherever five pulses or more were read, a
cubic, by which a bent servo is measured.

**Straight or bent.** The extra sum of squares of the quadratic and the cubic term over the scatter
of the readings, F = ((RSS of the line - RSS of the cubic) / 2) / (RSS of the cubic / degrees of
freedom), is distributed as F(2, degrees of freedom) where the servo is straight (Draper and Smith,
Applied Regression Analysis, on the extra sum of squares; from memory). The map becomes a table when
such an F has a probability below 5 % and the bend is large enough to be worth a table.

**95 % intervals** of an angle are those of the mean response, by Student's t (same source), of the
richest curve that was fitted: a bend too small to be seen is then within them.

**What to read next** is where that interval is widest, as in a G-optimal design (Kiefer and
Wolfowitz, The equivalence of two extremum problems, 1960; from memory).
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from math import radians, sqrt, tau
from typing import Literal

import numpy as np
from scipy.special import fdtrc

from leg_kinematics.calibration.curves import Curve, LinearCurve, TableCurve
from leg_kinematics.calibration.least_squares import (
    MOST_SCATTER,
    Estimate,
    Fit,
    Model,
    Observations,
    least_squares,
    mistyped,
)
from leg_kinematics.errors import CalibrationError
from leg_kinematics.robot import ServoModel

#: Which way the pulse came to where it is.
Approach = Literal['up', 'down']

#: Of a servo that is straight, the chance to be given a table all the same.
BENT_BY_CHANCE = 0.05

#: A smaller bend is not worth a table: a protractor hardly shows it (our own), rad.
LEAST_BEND = radians(0.5)

#: Fewer pulses do not tell a straight servo from a bent one, whatever was read there.
FEWEST_PULSES_OF_A_BEND = 5

#: Of a table: a bow of 3 degrees is cut by 3 / 64, 0.05 degrees, between its rows.
TABLE_ROWS = 9

#: A map that is right within this is as good as a protractor makes it (our own), rad.
GOOD = radians(1.0)

#: Pulses nearer to each other tell no gain (our own), µs.
LEAST_SPAN_US = 50.0

#: Of a gain, µs/rad; the schema of servo maps has the same bounds, and their source.
PLAUSIBLE_GAIN = (20.0, 10_000.0)


@dataclass(frozen=True)
class Reading:
    """One angle read off.

    Attributes
    ----------
    pulse_us
        The pulse at which the joint stood, µs.
    angle
        Of the joint, rad.
    approached
        Whether the pulse rose (`up`) or fell (`down`) to its value.

    """

    pulse_us: float
    angle: float
    approached: Approach


@dataclass(frozen=True)
class Straightness:
    """Whether a straight line is enough.

    Attributes
    ----------
    statistic
        F, as the head of this file says.
    freedom
        Degrees of freedom of its denominator; those of the numerator are 2.
    probability
        That a straight servo shows such an F or a larger one.
    bend
        How far line and cubic are apart at most, rad.

    """

    statistic: float
    freedom: int
    probability: float
    bend: float

    @property
    def straight(self) -> bool:
        """Whether a straight line is enough."""
        return self.probability >= BENT_BY_CHANCE or self.bend < LEAST_BEND


@dataclass(frozen=True)
class NextReading:
    """A reading that would help.

    Attributes
    ----------
    pulse_us
        Never beyond the pulses that were read already, µs.
    approached
        From which side.
    reason
        In words.

    """

    pulse_us: float
    approached: Approach
    reason: str


@dataclass(frozen=True)
class ServoFit:
    """What the readings of one servo tell.

    Attributes
    ----------
    readings
        As given.
    limits
        Of the joint, rad, as given.
    suspects
        Places in `readings` of those that look mistyped; all else is worked out without them.
    line
        The straight line; at its `centre_us`, the middle of the pulses that were read, gain and
        horn offset hardly depend on each other.
    curve
        The line where it is enough, otherwise a table.
    gain
        Of the line, µs/rad, negative where the joint turns the other way.
    horn_offset
        Joint angle at `line.centre_us`, rad.
    residuals
        What was read beyond what is expected for that approach, rad, for every reading.
    scatter
        Standard deviation of a reading, rad; infinite where there are no more readings than
        unknowns.
    hysteresis
        How far the joint stands apart after both approaches, rad, above zero where it stays behind;
        None where too few readings were approached from both sides.
    repeatability
        Standard deviation of readings at the same pulse from the same side, rad; None without any.
    straightness
        None where too few pulses were read to tell.
    next_reading
        What to read next; None when nothing is lacking.

    """

    readings: tuple[Reading, ...]
    limits: tuple[float, float]
    suspects: tuple[int, ...]
    line: LinearCurve
    curve: Curve
    gain: Estimate
    horn_offset: Estimate
    residuals: tuple[float, ...]
    scatter: float
    hysteresis: Estimate | None
    repeatability: float | None
    straightness: Straightness | None
    next_reading: NextReading | None
    _richest: Fit = field(repr=False, compare=False)

    @property
    def sign(self) -> int:
        """1 where a longer pulse turns the joint the positive way, else -1."""
        return 1 if self.gain.value > 0.0 else -1

    @property
    def good(self) -> bool:
        """Whether the map is right within a degree, as far as the readings tell."""
        return self.next_reading is None and self.scatter <= MOST_SCATTER

    @property
    def pulse_span_us(self) -> tuple[float, float]:
        """Lowest and highest pulse that was read and is trusted, µs."""
        pulses = [each.pulse_us for each in self.trusted]
        return (min(pulses), max(pulses))

    @property
    def trusted(self) -> tuple[Reading, ...]:
        """The readings that are not suspect."""
        return tuple(each for place, each in enumerate(self.readings) if place not in self.suspects)

    @property
    def widest(self) -> float:
        """Largest half width of the 95 % intervals between the pulses that were read, rad."""
        return self.half_width(_widest_at(self._richest, self.pulse_span_us))

    def half_width(self, pulse_us: float) -> float:
        """Return that of the 95 % interval of the joint angle at a pulse in µs, rad.

        Infinite where there are no more readings than unknowns.
        """
        return self._richest.at(pulse_us).half_width


def fit_servo_map(
    readings: Sequence[Reading], servo: ServoModel, limits: tuple[float, float]
) -> ServoFit:
    """Make the servo map of a joint from what was read.

    Parameters
    ----------
    readings
        Two or more, at two pulses or more, in any order.
    servo
        The servo of the joint, as the description promises it.
    limits
        Of the joint, rad.

    Returns
    -------
    ServoFit
        The map, its errors, what is doubtful, and what to read next.

    Raises
    ------
    CalibrationError
        No map can be made of these readings: too few, no angle, a pulse that the servo does not
        answer to, or a joint that did not turn with the pulse.

    """
    _refuse_hopeless(readings, servo)
    seen = Observations(
        pulses_us=np.array([each.pulse_us for each in readings]),
        sides=np.array([_side(each) for each in readings]),
        angles=np.array([each.angle for each in readings]),
    )
    suspects = mistyped(_richest_model(seen), seen)
    kept = seen.without(suspects)
    richest = least_squares(_richest_model(kept), kept)
    line = least_squares(_straight(richest.model), kept)
    gain = _gain(line)
    straightness = _straightness(line, richest) if richest.model.degree > 1 else None
    # A pulse that people write.
    centre_us = float(round(line.model.middle_us))
    horn_offset = line.at(centre_us)
    straight_line = LinearCurve(centre_us, gain.value, horn_offset.value)
    curve: Curve = straight_line
    shown = line
    if straightness is not None and not straightness.straight:
        curve, shown = _table(richest, gain.value), richest
    return ServoFit(
        readings=tuple(readings),
        limits=limits,
        suspects=suspects,
        line=straight_line,
        curve=curve,
        gain=gain,
        horn_offset=horn_offset,
        residuals=tuple(shown.residuals(seen).tolist()),
        scatter=sqrt(richest.variance),
        hysteresis=_hysteresis(richest, gain.value),
        repeatability=_repeatability(kept),
        straightness=straightness,
        next_reading=_next_reading(readings, suspects, kept, richest),
        _richest=richest,
    )


def _side(reading: Reading) -> float:
    return 1.0 if reading.approached == 'up' else -1.0


def _refuse_hopeless(readings: Sequence[Reading], servo: ServoModel) -> None:
    shortest, longest = servo.pulse_us
    for number, each in enumerate(readings, start=1):
        if not (abs(each.angle) <= tau and shortest <= each.pulse_us <= longest):
            raise CalibrationError(
                f'reading {number}, {np.degrees(each.angle):g} deg at {each.pulse_us:g} µs, cannot '
                f'be used: expected an angle within a turn, and a pulse of {shortest:g} … '
                f'{longest:g} µs, which servo {servo.name!r} answers to'
            )
    pulses = [each.pulse_us for each in readings] or [0.0]
    span = max(pulses) - min(pulses)
    if span < LEAST_SPAN_US:
        raise CalibrationError(
            f'pulses within {span:g} µs tell no gain: read the angle at two pulses or more, '
            f'{LEAST_SPAN_US:g} µs or more apart'
        )


def _richest_model(seen: Observations) -> Model:
    """Choose the model with the most unknowns that leaves two degrees of freedom or more.

    Where none does, a straight line without a lag.
    """
    lowest, highest = seen.pulses_us.min(), seen.pulses_us.max()
    middle = float(lowest + highest) / 2.0
    half_span = float(highest - lowest) / 2.0
    bent = len(np.unique(seen.pulses_us)) >= FEWEST_PULSES_OF_A_BEND
    for degree, lag in ((3, True), (3, False), (1, True)) if bent else ((1, True),):
        model = Model(degree, lag, middle, half_span)
        if len(seen) >= model.unknowns + 2 and model.determined_by(seen):
            return model
    return Model(1, lag=False, middle_us=middle, half_span_us=half_span)


def _straight(model: Model) -> Model:
    """Return the straight line of a model."""
    return Model(1, model.lag, model.middle_us, model.half_span_us)


def _gain(line: Fit) -> Estimate:
    """Turn the slope in rad per half span around into µs/rad.

    Its error is that of a quotient to first order: of 1 / b it is that of b over b².
    """
    slope, span = line.combination(np.eye(line.model.unknowns)[1]), line.model.half_span_us
    least, most = PLAUSIBLE_GAIN
    if not least <= abs(span / slope.value if slope.value else np.inf) <= most:
        raise CalibrationError(
            f'over {2.0 * span:g} µs the joint turned by {np.degrees(2.0 * slope.value):.3g} deg, '
            f'which no servo does: expected {least:g} … {most:g} µs/rad. Look whether this servo '
            'moves at all, whether its horn slips, and whether angles are typed in degrees'
        )
    steepness = span / slope.value**2
    return Estimate(
        span / slope.value, slope.standard_error * steepness, slope.half_width * steepness
    )


def _straightness(line: Fit, cubic: Fit) -> Straightness:
    pulses = np.linspace(-1.0, 1.0, 101) * line.model.half_span_us + line.model.middle_us
    between = np.zeros_like(pulses)
    straight, bent = (fit.model.rows(pulses, between) @ fit.coefficients for fit in (line, cubic))
    extra = (line.rss - cubic.rss) / 2.0
    statistic = extra / cubic.variance if cubic.variance else np.inf
    return Straightness(
        statistic=float(statistic),
        freedom=cubic.freedom,
        probability=float(fdtrc(2, cubic.freedom, max(statistic, 0.0))),
        bend=float(np.abs(bent - straight).max()),
    )


def _table(cubic: Fit, gain: float) -> TableCurve:
    """Take a table from a curve, over the pulses that were read."""
    model = cubic.model
    ends = (model.middle_us - model.half_span_us, model.middle_us + model.half_span_us)
    pulses = tuple(float(pulse) for pulse in np.linspace(*ends, TABLE_ROWS))
    angles = tuple(cubic.at(pulse).value for pulse in pulses)
    for (first, before), (last, after) in pairwise(zip(pulses, angles, strict=True)):
        if not (after - before) * gain > 0.0:
            raise CalibrationError(
                f'between {first:.0f} and {last:.0f} µs the joint seems to turn back: read the '
                'angles there again, and look whether the joint meets a stop or its horn slips'
            )
    return TableCurve(angles, pulses)


def _hysteresis(fit: Fit, gain: float) -> Estimate | None:
    """Return how far the joint stays behind, from side to side."""
    if not fit.model.lag:
        return None
    # A joint that stays behind stands short of its angle where the pulse rose, if its gain is
    # above zero.
    return fit.combination(np.eye(fit.model.unknowns)[-1] * (-2.0 if gain > 0.0 else 2.0))


def _repeatability(seen: Observations) -> float | None:
    """Pool the variances within all groups of readings at one pulse from one side."""
    groups = defaultdict(list)
    for pulse, side, angle in zip(seen.pulses_us, seen.sides, seen.angles, strict=True):
        groups[pulse, side].append(angle)
    freedom = sum(len(group) - 1 for group in groups.values())
    if not freedom:
        return None
    squares = sum(np.var(group) * len(group) for group in groups.values())
    return float(np.sqrt(squares / freedom))


def _next_reading(
    readings: Sequence[Reading], suspects: tuple[int, ...], kept: Observations, richest: Fit
) -> NextReading | None:
    known = {(pulse, side) for pulse, side in zip(kept.pulses_us, kept.sides, strict=True)}
    for doubtful in (readings[place] for place in suspects):
        # Once it was read again, and that reading is trusted, this is settled.
        if (doubtful.pulse_us, _side(doubtful)) not in known:
            return NextReading(
                doubtful.pulse_us,
                doubtful.approached,
                'the angle read here does not belong to the others',
            )
    pulses = np.unique(kept.pulses_us)
    if abs(kept.sides.sum()) == len(kept):
        approach = _rarer(kept)
        reason = f'no angle was read yet with the pulse coming {approach}'
        return NextReading(float(pulses[len(pulses) // 2]), approach, reason)
    span = (float(pulses[0]), float(pulses[-1]))
    if len(pulses) < FEWEST_PULSES_OF_A_BEND:
        gap = int(np.argmax(np.diff(pulses)))
        return NextReading(
            float(round((pulses[gap] + pulses[gap + 1]) / 2.0)),
            _rarer(kept),
            f'from {FEWEST_PULSES_OF_A_BEND} pulses on it can be told whether the servo is '
            'straight',
        )
    pulse = _widest_at(richest, span)
    if richest.at(pulse).half_width <= GOOD:
        return None
    # On the way to an end no pulse is beyond it.
    ways: dict[float, Approach] = {span[0]: 'down', span[1]: 'up'}
    return NextReading(pulse, ways.get(pulse, _rarer(kept)), 'the angle is known least here')


def _rarer(seen: Observations) -> Approach:
    return 'up' if seen.sides.sum() <= 0.0 else 'down'


def _widest_at(fit: Fit, span_us: tuple[float, float]) -> float:
    """Return the pulse in a span at which the angle is known least, µs."""
    pulses = [float(round(pulse)) for pulse in np.linspace(*span_us, 21)]
    pulses = [min(max(pulse, span_us[0]), span_us[1]) for pulse in pulses]
    rows = fit.model.rows(np.array(pulses), np.zeros(len(pulses)))
    return pulses[int(np.argmax(np.einsum('ij,jk,ik->i', rows, fit.inverse, rows)))]
