# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Servos whose maps nobody knows, measured by a person who errs: how well the fit knows them then.

The bounds are our own, of what a protractor can do; the intervals are held to what they promise.
"""

from dataclasses import dataclass, field
from math import degrees
from typing import TYPE_CHECKING

import numpy as np
import pytest

from leg_kinematics.calibration.measured import ServoFit, fit_servo_map

if TYPE_CHECKING:
    from test.unknown_servo import LIMITS, PULSES, SERVO, Person, UnknownServo
else:
    from unknown_servo import LIMITS, PULSES, SERVO, Person, UnknownServo

#: The map of a builder who believes the seller: 180 degrees over 2000 µs.
SOLD_GAIN = 2000.0 / 180.0

#: A smaller typing error is within what a protractor is misread by two people, deg.
TELLING = 5.0


@dataclass
class Campaign:
    """What came out of many servos, in deg."""

    before: list[float] = field(default_factory=list)
    after: list[float] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    hysteresis_covered: list[bool] = field(default_factory=list)
    tables: int = 0
    mistyped: int = 0
    small: int = 0
    found: int = 0
    false_alarms: int = 0
    servos: int = 0

    def add(self, servo: UnknownServo, fit: ServoFit, wrong: dict[int, float]) -> None:
        """Compare a fit with the truth."""
        for pulse in np.linspace(PULSES[0], PULSES[-1], 33).tolist():
            true = servo.angle(pulse)
            error = abs(degrees(fit.curve.angle(pulse)) - true)
            self.before.append(abs(servo.sign * (pulse - 1500.0) / SOLD_GAIN - true))
            self.after.append(error)
            self.covered.append(error <= degrees(fit.half_width(pulse)))
        assert fit.hysteresis is not None
        miss = abs(degrees(fit.hysteresis.value) - servo.hysteresis)
        self.hysteresis_covered.append(miss <= degrees(fit.hysteresis.half_width))
        self.servos += 1
        self.tables += fit.curve != fit.line
        telling = {place for place, error in wrong.items() if error >= TELLING}
        self.small += len(wrong) - len(telling)
        self.mistyped += len(telling)
        self.found += len(telling & set(fit.suspects))
        self.false_alarms += len(set(fit.suspects) - set(wrong))

    def __str__(self) -> str:
        """Return the numbers in words."""
        before, after = (np.percentile(each, [50, 95]) for each in (self.before, self.after))
        return (
            f'{self.servos} servos, {self.tables} of them with a table. Error of the map, median '
            f'and 95 %: before {before[0]:.1f}, {before[1]:.1f}, after {after[0]:.2f}, '
            f'{after[1]:.2f} deg. 95 % intervals hold the angle in '
            f'{100 * np.mean(self.covered):.1f} %, the hysteresis in '
            f'{100 * np.mean(self.hysteresis_covered):.1f} %. Of {self.mistyped} typing errors of '
            f'{TELLING:g} deg or more {self.found} were found, with {self.false_alarms} false '
            f'alarms; {self.small} were smaller.'
        )


def campaign(servos: int, person: Person, *, most_bend: float = 3.0) -> Campaign:
    """Measure servos, each drawn from its number."""
    result = Campaign()
    for seed in range(servos):
        rng = np.random.default_rng(seed)
        servo = UnknownServo.draw(rng, most_bend=most_bend)
        readings, wrong = person.read(servo, rng)
        result.add(servo, fit_servo_map(readings, SERVO, LIMITS), wrong)
    print(result)  # noqa: T201 - with pytest -s
    return result


def hold(result: Campaign, *, median: float, most: float, found: float) -> None:
    """Hold a campaign to bounds."""
    assert np.median(result.before) > 8.0
    assert np.median(result.after) <= median
    assert np.percentile(result.after, 95) <= most
    assert 0.90 <= np.mean(result.covered) <= 0.99
    assert 0.90 <= np.mean(result.hysteresis_covered) <= 0.99
    assert result.mistyped >= result.servos // 10
    assert result.found >= found * result.mistyped
    # A robot of six legs has 18 servos.
    assert result.false_alarms * 18 <= result.servos


def test_two_hundred_servos() -> None:
    """Read within a degree (95 %), with 2 % of the readings mistyped."""
    hold(campaign(200, Person(0.5, 0.02)), median=0.25, most=0.8, found=0.95)


def test_a_person_with_a_poor_eye() -> None:
    """A standard deviation of a degree doubles the error, and hides the smaller typing errors."""
    hold(campaign(100, Person(1.0, 0.02)), median=0.5, most=1.5, found=0.9)


def test_straight_servos_are_taken_for_straight() -> None:
    """Of straight servos 5 % would be given a table by chance; the least bend makes it fewer."""
    result = campaign(100, Person(0.5), most_bend=0.0)
    assert result.tables <= 5
    assert result.false_alarms * 18 <= result.servos
    assert np.percentile(result.after, 95) <= 0.5


@pytest.mark.soak
@pytest.mark.timeout(600)
@pytest.mark.parametrize(('scatter', 'found'), [(0.3, 0.95), (0.5, 0.95), (0.8, 0.95), (1.0, 0.9)])
def test_very_many_servos(scatter: float, found: float) -> None:
    """Thousands, by people with better and worse eyes."""
    most = 0.4 + scatter
    hold(campaign(4000, Person(scatter, 0.02)), median=most / 2.5, most=most, found=found)
