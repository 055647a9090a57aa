# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How one hobby servo follows its pulse, for the simulated board."""

from dataclasses import dataclass


@dataclass(frozen=True)
class ServoDynamics:
    """What limits a servo.

    Attributes
    ----------
    speed_us_per_s
        Speed without load, expressed in pulse: µs/s.
    dead_band_us
        Width of the band around the pulse in which the servo rests, µs.

    """

    speed_us_per_s: float
    dead_band_us: float


class SimulatedServo:
    """A servo whose position, like a real one's, nobody knows before its first pulse.

    Attributes
    ----------
    position_us
        Where it stands, as the pulse that means this position; None while unknown.

    """

    def __init__(self, dynamics: ServoDynamics) -> None:
        """Start somewhere unknown."""
        self._dynamics = dynamics
        self.position_us: float | None = None

    def advance(self, pulse_us: float | None, seconds: float) -> None:
        """Follow one unchanging pulse for a while; without a pulse it stays where it is."""
        if pulse_us is None:
            return
        if self.position_us is None:
            self.position_us = pulse_us
            return
        error = pulse_us - self.position_us
        way = max(0.0, abs(error) - self._dynamics.dead_band_us / 2.0)
        step = min(way, self._dynamics.speed_us_per_s * seconds)
        self.position_us += step if error > 0.0 else -step
