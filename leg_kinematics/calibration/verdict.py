# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a fit of a servo map means to the person at the bench, in sentences."""

from math import degrees, isfinite, radians

from leg_kinematics.calibration.curves import LinearCurve
from leg_kinematics.calibration.least_squares import MOST_SCATTER
from leg_kinematics.calibration.measured import GOOD, ServoFit

#: Of the range of a joint, so much may lie beyond what was read without a word, rad.
UNREAD = radians(5.0)


def verdict(fit: ServoFit) -> tuple[str, ...]:
    """Return what a fit tells, what it does not, and what to do; one sentence each."""
    return (
        _gain(fit),
        *_suspects(fit),
        *_shape(fit),
        *_hysteresis(fit),
        *_trust(fit),
        *_unread(fit),
        *_next(fit),
    )


def _gain(fit: ServoFit) -> str:
    way = 'positive' if fit.sign > 0 else 'negative'
    gain, offset = fit.gain, fit.horn_offset
    size, spread = abs(radians(gain.value)), radians(gain.half_width)
    return (
        f'A longer pulse turns the joint the {way} way, by a degree every '
        f'{_with_error(size, spread, 2)} µs; at {fit.line.centre_us:g} µs it stands at '
        f'{_with_error(degrees(offset.value), degrees(offset.half_width), 1)} deg.'
    )


def _suspects(fit: ServoFit) -> list[str]:
    return [
        f'Reading {place + 1}, {degrees(reading.angle):.1f} deg at {reading.pulse_us:g} µs coming '
        f'{reading.approached}, is {abs(degrees(fit.residuals[place])):.1f} deg away from what the '
        'others say: it was left out, and is probably mistyped.'
        for place, reading in ((place, fit.readings[place]) for place in fit.suspects)
    ]


def _shape(fit: ServoFit) -> list[str]:
    found = fit.straightness
    if found is None:
        return ['Whether the servo is straight cannot be told from so few readings.']
    bend = f'{degrees(found.bend):.1f} deg'
    if isinstance(fit.curve, LinearCurve):
        return [f'A straight line is enough: a curve would be {bend} beside it at most.']
    return [f'The servo is bent by {bend}, more than readings scatter: the map is a table.']


def _hysteresis(fit: ServoFit) -> list[str]:
    if fit.hysteresis is None:
        return []
    value, half_width = degrees(fit.hysteresis.value), degrees(fit.hysteresis.half_width)
    if value - half_width <= 0.0:
        return [f'Slack and dead band do not show: less than {value + half_width:.1f} deg.']
    apart = f'{value:.1f} ± {half_width:.1f} deg'
    return [f'After both approaches the joint stands {apart} apart, by slack and dead band.']


def _trust(fit: ServoFit) -> list[str]:
    if not isfinite(fit.scatter):
        return ['There is no reading more than is needed, so nothing tells how wrong the map is.']
    words = f'Readings scatter by {degrees(fit.scatter):.1f} deg'
    if fit.scatter > MOST_SCATTER:
        look = 'look whether it or the horn slips, and whether all angles are of this joint'
        return [f'{words}, far more than a protractor is misread: {look}.']
    lowest, highest = fit.pulse_span_us
    widest = degrees(fit.widest)
    enough = 'as good as a protractor makes it' if fit.widest <= GOOD else 'more readings help'
    right = f'from {lowest:g} to {highest:g} µs the map is right within {widest:.1f} deg (95 %)'
    return [f'{words}; {right}: {enough}.']


def _unread(fit: ServoFit) -> list[str]:
    ends = sorted(fit.curve.angle(pulse) for pulse in fit.pulse_span_us)
    low, high = fit.limits
    beyond = []
    if ends[0] > low + UNREAD:
        beyond.append(f'{degrees(low):.0f} to {degrees(ends[0]):.0f} deg')
    if ends[1] < high - UNREAD:
        beyond.append(f'{degrees(ends[1]):.0f} to {degrees(high):.0f} deg')
    if not beyond:
        return []
    return [f'Of the range of the joint, {" and ".join(beyond)} were not read.']


def _next(fit: ServoFit) -> list[str]:
    if fit.next_reading is None:
        return []
    pulse, approached = fit.next_reading.pulse_us, fit.next_reading.approached
    return [f'Read next at {pulse:g} µs coming {approached}: {fit.next_reading.reason}.']


def _with_error(value: float, half_width: float, digits: int) -> str:
    if not isfinite(half_width):
        return f'{value:.{digits}f}'
    return f'{value:.{digits}f} ± {half_width:.{digits}f}'
