# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Servos whose true map nobody is told, and a person who reads angles off a protractor."""

from dataclasses import dataclass
from math import pi, radians, sin

import numpy as np

from leg_kinematics.calibration.measured import Approach, Reading
from leg_kinematics.robot import ServoModel

#: What a description promises of it.
SERVO = ServoModel('standard', 1.5, 6.5, 5.0, (500.0, 2500.0))

#: Of a joint of the tests, rad.
LIMITS = (radians(-60.0), radians(60.0))

#: Where the angles are read: seven pulses, each from both sides.
PULSES = (700.0, 967.0, 1233.0, 1500.0, 1767.0, 2033.0, 2300.0)


@dataclass(frozen=True)
class UnknownServo:
    """The truth, in degrees and µs.

    Attributes
    ----------
    sign
        1 or -1.
    gain
        µs per degree, above zero.
    horn_offset
        Joint angle at `centre_us`, without the bend.
    centre_us
        Where the electronics have their middle.
    bend
        Amplitude of what is not linear.
    shape
        0 a bow, 1 the letter S, 2 a wave.
    phase
        Of the wave.
    dead_band_us
        Change of the pulse that the servo ignores, from end to end.
    slack
        Of gears and horn, from end to end.

    """

    sign: int
    gain: float
    horn_offset: float
    centre_us: float = 1500.0
    bend: float = 0.0
    shape: int = 0
    phase: float = 0.0
    dead_band_us: float = 5.0
    slack: float = 1.0

    @classmethod
    def draw(cls, rng: np.random.Generator, *, most_bend: float = 3.0) -> 'UnknownServo':
        """Draw any servo of the trade."""
        return cls(
            sign=int(rng.choice([-1, 1])),
            gain=float(rng.uniform(8.0, 14.0)),
            horn_offset=float(rng.uniform(-25.0, 25.0)),
            centre_us=float(rng.uniform(1470.0, 1530.0)),
            bend=float(rng.uniform(-most_bend, most_bend)),
            shape=int(rng.integers(3)),
            phase=float(rng.uniform(0.0, 2.0 * pi)),
        )

    @property
    def hysteresis(self) -> float:
        """How far the joint stands apart after both approaches, deg."""
        return self.dead_band_us / self.gain + self.slack

    def angle(self, pulse_us: float) -> float:
        """Return the joint angle in deg, in the middle between both approaches."""
        scaled = (pulse_us - 1500.0) / 900.0
        shape = (
            # The first two reach from -1 to 1 over 600 to 2400 µs, at 0 in the middle of that.
            1.0 - 2.0 * scaled**2,
            # Largest where its derivative is zero, at 3^-1/2: 3^(3/2) / 2 makes that 1.
            3.0**1.5 / 2.0 * scaled * (1.0 - scaled**2),
            sin(3.0 * scaled + self.phase),
        )[self.shape]
        straight = self.horn_offset + self.sign * (pulse_us - self.centre_us) / self.gain
        return straight + self.bend * shape

    def stands(self, pulse_us: float, approached: Approach) -> float:
        """Return where the joint comes to rest, deg: short of its angle by half of the rest."""
        way = self.sign if approached == 'up' else -self.sign
        return self.angle(pulse_us) - way * self.hysteresis / 2.0


@dataclass(frozen=True)
class Person:
    """Who reads a protractor to the next degree, and types.

    Attributes
    ----------
    scatter
        Standard deviation of what is read before it is rounded, deg.
    mistypes
        How often, as a share.

    """

    scatter: float = 0.5
    mistypes: float = 0.0

    def read(
        self, servo: UnknownServo, rng: np.random.Generator, pulses: tuple[float, ...] = PULSES
    ) -> tuple[list[Reading], dict[int, float]]:
        """Read upwards through all pulses, then back.

        Returns
        -------
        tuple
            The readings, and the places of those that were mistyped, with by how much, deg.

        """
        readings: list[Reading] = []
        wrong: dict[int, float] = {}
        ways: tuple[tuple[Approach, tuple[float, ...]], ...] = (
            ('up', pulses),
            ('down', pulses[::-1]),
        )
        for approached, way in ways:
            for pulse_us in way:
                seen = round(servo.stands(pulse_us, approached) + rng.normal(0.0, self.scatter))
                typed = mistyped_number(seen, rng) if rng.random() < self.mistypes else seen
                if typed != seen:
                    wrong[len(readings)] = float(abs(typed - seen))
                readings.append(Reading(pulse_us, radians(typed), approached))
        return readings, wrong


def mistyped_number(number: int, rng: np.random.Generator) -> int:
    """Type a number wrong: sign lost, digits exchanged, a digit missing, or a key beside it.

    Common practice, no source. A number beyond a turn is refused at once, and is typed again.
    """
    sign, digits = (-1 if number < 0 else 1), str(abs(number))
    place = int(rng.integers(len(digits)))
    beside = str((int(digits[place]) + int(rng.choice([-1, 1]))) % 10)
    slips = [
        -number,
        sign * int(digits[::-1]),
        sign * int(digits[:place] + digits[place + 1 :] or '0'),
        sign * int(digits[:place] + beside + digits[place + 1 :]),
        sign * int(digits[:place] + digits[place] + digits[place:]),
    ]
    possible = [slip for slip in slips if slip != number and abs(slip) <= 360]
    return int(rng.choice(possible))
