# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What the calibration wants of whatever moves the servos, one at a time."""

from typing import Protocol

#: Board and channel that a servo is connected to.
ServoOutput = tuple[str, int]


class Answered(Protocol):
    """What became of an order."""

    @property
    def success(self) -> bool:
        """Whether it was carried out."""

    @property
    def words(self) -> str:
        """What was done, or why nothing was."""


class Bench(Protocol):
    """Moves one servo at a time, slowly, and only where its joint is known to be free."""

    @property
    def output(self) -> ServoOutput | None:
        """The servo that has pulses or is to get them; None where none is known to."""

    @property
    def obeys(self) -> bool:
        """Whether this servo has its pulses and can be moved."""

    @property
    def busy(self) -> bool:
        """Whether what was ordered is still being done: powering, moving, or looking."""

    def condition(self) -> object:
        """Say how the bench is; in words as a text."""

    def free_range(self, output: ServoOutput) -> tuple[float, float] | None:
        """Lowest and highest pulse at which a joint is known to be free, µs; None before any."""

    def longest_step(self, output: ServoOutput, *, upward: bool) -> float:
        """Longest step of the next look beyond an end, µs; 0 where the stop or the end is found."""

    def power(self, output: ServoOutput, pulse_us: float) -> Answered:
        """Give one servo its first pulse, to which it runs at full speed."""

    def allow(self, output: ServoOutput, lowest: float, highest: float) -> Answered:
        """Take a person's word that a joint is free between two pulses, µs, and only there."""

    def go(self, output: ServoOutput, pulse_us: float) -> Answered:
        """Move the servo slowly to a pulse, µs, where its joint is known to be free."""

    def look(self, output: ServoOutput, step_us: float) -> Answered:
        """Move a step beyond the free pulses, upwards or downwards, and soon back by itself."""

    def free(self, output: ServoOutput) -> Answered:
        """Take a person's word that the last look turned freely."""

    def touched(self, output: ServoOutput) -> Answered:
        """Take a person's word that the last look met something."""

    def release(self) -> Answered:
        """Stop all pulses, in every state; tell how far that has come."""
