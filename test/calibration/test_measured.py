# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""From readings to a map: by hand, against another library, and whatever the readings are."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from math import degrees, isfinite, isinf, nan, radians
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import f as f_distribution

from leg_kinematics.calibration import LinearCurve, TableCurve
from leg_kinematics.calibration.measured import (
    Approach,
    NextReading,
    Reading,
    ServoFit,
    fit_servo_map,
)
from leg_kinematics.calibration.verdict import verdict
from leg_kinematics.errors import CalibrationError

if TYPE_CHECKING:
    from test.unknown_servo import LIMITS, PULSES, SERVO, Person, UnknownServo
else:
    from unknown_servo import LIMITS, PULSES, SERVO, Person, UnknownServo


def up(*pairs: tuple[float, float]) -> list[Reading]:
    """Return readings from pairs of µs and deg, approached upwards."""
    return [Reading(pulse, radians(angle), 'up') for pulse, angle in pairs]


def down(*pairs: tuple[float, float]) -> list[Reading]:
    """Return the same, approached downwards."""
    return [replace(each, approached='down') for each in up(*pairs)]


def fitted(readings: Sequence[Reading]) -> ServoFit:
    """Fit them for the joint of the tests."""
    return fit_servo_map(readings, SERVO, LIMITS)


def read(truth: Callable[[float], float], *, scatter: float = 0.3, seed: int = 0) -> list[Reading]:
    """Read angles in deg, at all pulses from both sides, without rounding."""
    rng = np.random.default_rng(seed)
    ways: tuple[tuple[Approach, tuple[float, ...]], ...] = (('up', PULSES), ('down', PULSES[::-1]))
    return [
        Reading(pulse, radians(truth(pulse) + rng.normal(0.0, scatter)), approached)
        for approached, pulses in ways
        for pulse in pulses
    ]


def straight(pulse_us: float) -> float:
    """Return the angle of a straight servo, deg."""
    return (pulse_us - 1500.0) / -10.0 + 4.0


def bent(pulse_us: float) -> float:
    """Return the angle of a servo that is bent by a bow of 3 deg."""
    return straight(pulse_us) + 3.0 * ((pulse_us - 1500.0) / 800.0) ** 2


def test_two_readings_by_hand() -> None:
    """From (1000 µs, 45 deg) to (2000 µs, -45 deg): -1000 / 90 µs/deg, 0 deg at 1500 µs."""
    fit = fitted(up((1000.0, 45.0), (2000.0, -45.0)))
    assert isinstance(fit.curve, LinearCurve)
    assert fit.curve == fit.line
    assert fit.line.centre_us == 1500.0
    assert fit.line.horn_offset == pytest.approx(0.0, abs=1e-15)
    assert radians(fit.line.gain_us_per_rad) == pytest.approx(-1000.0 / 90.0)
    assert fit.sign == -1
    assert isinf(fit.gain.half_width)
    assert isinf(fit.half_width(1200.0))
    assert (fit.hysteresis, fit.straightness, fit.repeatability) == (None, None, None)
    assert not fit.good


def test_hysteresis_and_gain_by_hand() -> None:
    """Both approaches 2 deg apart at each of three pulses, 20 deg from pulse to pulse of 200 µs.

    Upwards the joint, whose gain is above zero, stays 1 deg behind: the map lies in the middle.
    """
    fit = fitted(
        [
            *up((1300.0, -11.0), (1500.0, 9.0), (1700.0, 29.0)),
            *down((1300.0, -9.0), (1500.0, 11.0), (1700.0, 31.0)),
        ]
    )
    assert fit.hysteresis is not None
    assert degrees(fit.hysteresis.value) == pytest.approx(2.0)
    assert radians(fit.gain.value) == pytest.approx(10.0)
    assert degrees(fit.line.angle(1500.0)) == pytest.approx(10.0)
    assert fit.residuals == pytest.approx([0.0] * 6, abs=1e-12)
    assert fit.scatter == pytest.approx(0.0, abs=1e-12)


def test_a_reversed_servo_that_stays_behind_has_a_hysteresis_above_zero() -> None:
    """The pulse goes up while the angle goes down, and the joint stays behind on the upper side."""
    servo = UnknownServo(sign=-1, gain=10.0, horn_offset=5.0)
    readings, _ = Person(scatter=0.0).read(servo, np.random.default_rng(0))
    hysteresis = fitted(readings).hysteresis
    assert hysteresis is not None
    # 5 µs at 10 µs/deg and 1 deg of slack; read to the next degree.
    assert degrees(hysteresis.value) == pytest.approx(1.5, abs=degrees(hysteresis.half_width))


def test_repeatability_by_hand() -> None:
    """Pairs that differ by 2 and by 0: sums of squares 2 and 0 over 1 + 1 degrees of freedom."""
    fit = fitted(up((1000.0, 49.0), (1000.0, 51.0), (1500.0, 0.0), (1500.0, 0.0), (2000.0, -50.0)))
    assert fit.repeatability is not None
    assert degrees(fit.repeatability) == pytest.approx(1.0)


def test_a_bent_servo_gets_a_table_and_a_straight_one_a_line() -> None:
    """The table follows the bow of 3 deg, and its rows end where readings end."""
    line, table = fitted(read(straight)), fitted(read(bent))
    assert isinstance(line.curve, LinearCurve)
    assert isinstance(table.curve, TableCurve)
    assert table.curve.pulse_span_us == (PULSES[0], PULSES[-1])
    for pulse in (700.0, 1100.0, 1500.0, 1850.0, 2300.0):
        assert degrees(line.curve.angle(pulse)) == pytest.approx(straight(pulse), abs=0.5)
        assert degrees(table.curve.angle(pulse)) == pytest.approx(bent(pulse), abs=0.5)
    assert table.good
    assert line.good


def test_straightness_is_the_test_of_the_textbook() -> None:
    """F and its probability from numpy's sums of squares and scipy's F distribution."""
    readings = read(bent, scatter=1.0, seed=3)
    fit = fitted(readings)
    pulses = np.array([(each.pulse_us - 1500.0) / 800.0 for each in readings])
    angles = np.array([each.angle for each in readings])
    side = np.array([1.0 if each.approached == 'up' else -1.0 for each in readings])
    sums = {}
    for degree in (1, 3):
        rows = np.column_stack([*(pulses**power for power in range(degree + 1)), side])
        sums[degree] = float(np.linalg.lstsq(rows, angles, rcond=None)[1][0])
    statistic = ((sums[1] - sums[3]) / 2.0) / (sums[3] / (14 - 5))
    assert fit.straightness is not None
    assert fit.straightness.freedom == 9
    assert fit.straightness.statistic == pytest.approx(statistic)
    assert fit.straightness.probability == pytest.approx(f_distribution.sf(statistic, 2, 9))


def test_intervals_are_those_of_another_library() -> None:
    """Half width of the mean response at a pulse by t of scipy's table: 9 degrees of freedom."""
    readings = read(straight, seed=4)
    fit = fitted(readings)
    pulses = np.array([each.pulse_us for each in readings])
    side = np.array([1.0 if each.approached == 'up' else -1.0 for each in readings])
    rows = np.column_stack([*(((pulses - 1500.0) / 800.0) ** power for power in range(4)), side])
    where = np.array([1.0, -0.5, 0.25, -0.125, 0.0])  # at 1100 µs
    spread = where @ np.linalg.inv(rows.T @ rows) @ where
    # Student's t, 97.5 %, 9 degrees of freedom: 2.262, as every table has it.
    assert fit.half_width(1100.0) == pytest.approx(2.262157 * fit.scatter * spread**0.5, rel=1e-6)


def test_a_mistyped_reading_is_left_out_and_read_again() -> None:
    """The map stays as it would be without it; once it is read again, it is no longer asked for."""
    readings = read(straight)
    wrong = replace(readings[2], angle=-readings[2].angle)
    spoilt = [*readings[:2], wrong, *readings[3:]]
    fit = fitted(spoilt)
    assert fit.suspects == (2,)
    assert fit.next_reading == NextReading(
        wrong.pulse_us, 'up', 'the angle read here does not belong to the others'
    )
    assert fit.line == fitted([*readings[:2], *readings[3:]]).line
    assert degrees(fit.residuals[2]) == pytest.approx(
        degrees(wrong.angle - readings[2].angle), abs=1
    )
    assert not fit.good
    again = fitted([*spoilt, readings[2]])
    assert again.suspects == (2,)
    assert again.next_reading is None
    assert again.good


def test_what_no_cubic_follows_is_not_taken_for_typing_errors() -> None:
    """A wave read at nine pulses: without both readings at its end all others would fit better."""
    rng = np.random.default_rng(559)
    wave = UnknownServo.draw(rng)
    assert wave.shape == 2
    pulses = tuple(np.linspace(700.0, 2300.0, 9).tolist())
    readings, wrong = Person(0.5, 0.02).read(wave, rng, pulses)
    assert not wrong
    assert fitted(readings).suspects == ()


def test_what_to_read_next() -> None:
    """First the other side, then enough pulses, then where the angle is known least."""
    readings = up((1000.0, 50.0), (1200.0, 31.0), (2000.0, -50.0))
    first = fitted(readings).next_reading
    assert first is not None
    assert (first.pulse_us, first.approached) == (1200.0, 'down')
    readings += down((1200.0, 30.0))
    second = fitted(readings).next_reading
    assert second is not None
    # In the middle of the largest gap.
    assert second.pulse_us == 1600.0
    poor = fitted(read(straight, scatter=2.0, seed=3)).next_reading
    assert poor is not None
    # Of a curve the ends are known least.
    assert (poor.pulse_us, poor.approached) in {(PULSES[0], 'down'), (PULSES[-1], 'up')}
    assert poor.reason == 'the angle is known least here'


def test_reading_what_is_asked_for_ends_with_a_good_map() -> None:
    """From two readings on, with an eye that errs by a degree, without a plan."""
    servo = UnknownServo(sign=1, gain=9.0, horn_offset=-12.0, bend=2.0)
    rng = np.random.default_rng(7)

    def reading(pulse_us: float, approached: Approach) -> Reading:
        angle = round(servo.stands(pulse_us, approached) + rng.normal(0.0, 1.0))
        return Reading(pulse_us, radians(angle), approached)

    readings = [reading(800.0, 'up'), reading(2200.0, 'up')]
    while (wanted := fitted(readings).next_reading) is not None:
        assert len(readings) < 40
        readings.append(reading(wanted.pulse_us, wanted.approached))
    fit = fitted(readings)
    assert fit.good
    for pulse in np.linspace(800.0, 2200.0, 15).tolist():
        assert degrees(fit.curve.angle(pulse)) == pytest.approx(servo.angle(pulse), abs=1.5)


@pytest.mark.parametrize(
    ('readings', 'message'),
    [
        ([], 'pulses within 0 µs tell no gain'),
        (up((1500.0, 0.0)), 'pulses within 0 µs tell no gain'),
        (up((1500.0, 0.0), (1520.0, 2.0)), 'within 20 µs .* at two pulses or more, 50 µs'),
        (up((1000.0, 0.0), (2000.0, nan)), 'reading 2, nan deg at 2000 µs, cannot be used'),
        (up((1000.0, 0.0), (2000.0, 400.0)), 'reading 2, 400 deg .* an angle within a turn'),
        (up((400.0, 0.0), (2000.0, 9.0)), "500 … 2500 µs, which servo 'standard' answers to"),
        (up((1000.0, 0.0), (nan, 9.0)), 'reading 2, 9 deg at nan µs, cannot be used'),
        (up((1000.0, 3.0), (2000.0, 3.0)), 'over 1000 µs the joint turned by 0 deg'),
        (up((1000.0, 3.0), (2000.0, 3.1)), 'Look whether this servo moves at all'),
    ],
)  # fmt: skip
def test_hopeless_readings_are_refused(readings: list[Reading], message: str) -> None:
    """With what is wrong and what to do."""
    with pytest.raises(CalibrationError, match=message):
        fitted(readings)


def test_a_joint_that_turns_back_is_refused() -> None:
    """From 1500 µs on the joint meets a stop and the horn slips: no table tells a pulse then."""
    readings = read(lambda pulse: min(pulse - 700.0, 2300.0 - pulse) / 10.0 + pulse / 50.0)
    with pytest.raises(CalibrationError, match='the joint seems to turn back'):
        fitted(readings)


@given(
    readings=st.lists(
        st.builds(
            Reading,
            st.floats(500.0, 2500.0) | st.sampled_from(PULSES),
            st.floats(-6.3, 6.3),
            st.sampled_from(['up', 'down']),
        ),
        max_size=16,
    )
)
def test_whatever_is_read(readings: list[Reading]) -> None:
    """Either it is refused, or there is a map with an inverse, and words about it."""
    try:
        fit = fitted(readings)
    except CalibrationError:
        return
    lowest, highest = fit.pulse_span_us
    pulses = [each.pulse_us for each in readings]
    assert (lowest, highest) == (min(pulses), max(pulses))
    for pulse in (lowest, (lowest + highest) / 2.0, highest):
        angle = fit.curve.angle(pulse)
        assert isfinite(angle)
        assert fit.curve.pulse_us(angle) == pytest.approx(pulse, abs=0.01)
        assert fit.half_width(pulse) >= 0.0
    assert len(fit.residuals) == len(readings)
    assert set(fit.suspects) <= set(range(len(readings)))
    assert fit.next_reading is None or lowest <= fit.next_reading.pulse_us <= highest
    assert not fit.good or not fit.next_reading
    assert all(sentence.endswith('.') for sentence in verdict(fit))


@settings(max_examples=40)
@given(seed=st.integers(0, 1000), turned=st.floats(-1.0, 1.0))
def test_a_mirrored_protractor_mirrors_the_map(seed: int, turned: float) -> None:
    """Angles read the other way round, or from another zero, change sign and offset and no more."""
    rng = np.random.default_rng(seed)
    readings, _ = Person(0.5, 0.02).read(UnknownServo.draw(rng), rng)
    fit = fitted(readings)
    mirrored = fitted([replace(each, angle=turned - each.angle) for each in readings])
    assert mirrored.suspects == fit.suspects
    assert mirrored.sign == -fit.sign
    assert mirrored.gain.value == pytest.approx(-fit.gain.value)
    assert isinstance(mirrored.curve, type(fit.curve))
    for pulse in PULSES:
        assert mirrored.curve.angle(pulse) == pytest.approx(turned - fit.curve.angle(pulse))
        assert mirrored.half_width(pulse) == pytest.approx(fit.half_width(pulse))


@pytest.mark.parametrize(
    ('readings', 'sentences'),
    [
        (read(straight), [
            'A longer pulse turns the joint the negative way, by a degree every ',
            ' ± 0.03 µs; at 1500 µs it stands at 4.0 ± 0.1 deg.',
            'A straight line is enough: a curve would be 0.',
            'as good as a protractor makes it.',
        ]),
        (read(bent), ['The servo is bent by ', 'more than readings scatter: the map is a table.']),
        (up((1000.0, 50.0), (2000.0, -50.0)), [
            'Whether the servo is straight cannot be told from so few readings.',
            'There is no reading more than is needed, so nothing tells how wrong the map is.',
            'Of the range of the joint, -60 to -50 deg and 50 to 60 deg were not read.',
            'Read next at 2000 µs coming down: no angle was read yet with the pulse coming down.',
        ]),
        (read(straight, scatter=8.0, seed=3), ['look whether it or the horn slips']),
        ([*read(straight)[1:], *up((700.0, 48.0))], [
            'Reading 14, 48.0 deg at 700 µs coming up, is 3',
            'it was left out, and is probably mistyped.',
        ]),
    ],
)  # fmt: skip
def test_the_verdict_is_in_plain_words(readings: list[Reading], sentences: list[str]) -> None:
    """What a person at the bench is told."""
    told = ' '.join(verdict(fitted(readings)))
    for sentence in sentences:
        assert sentence in told


def test_slack_is_told_when_it_shows() -> None:
    """1 deg of slack and 5 µs of dead band, or none of both."""
    servo = UnknownServo(sign=1, gain=10.0, horn_offset=0.0)
    rng = np.random.default_rng(2)
    loose = fitted(Person(0.2).read(servo, rng)[0])
    assert 'After both approaches the joint stands 1.' in ' '.join(verdict(loose))
    tight = fitted(Person(0.2).read(replace(servo, slack=0.0, dead_band_us=0.0), rng)[0])
    assert 'Slack and dead band do not show: less than 0.' in ' '.join(verdict(tight))
