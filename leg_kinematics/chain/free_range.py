# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Between which pulses a servo may turn: those at which a person has seen its joint turn freely.

Nobody knows where the stops of a joint are before it is calibrated. Its range grows by looks: the
servo goes one step beyond an end, and the person says whether it turned freely or touched. A touch
halves the step, so that the end comes close to the stop and a stop is never pressed by more than
one step.
"""

from dataclasses import dataclass, field
from math import isfinite

from leg_kinematics.errors import CommandError

#: The longest step of a look, µs: some 5 degrees of a hobby servo.
LONGEST_STEP_US = 50.0

#: A stop is found when a step would be shorter than this, µs: about the dead band of a servo.
FINEST_STEP_US = 5.0


@dataclass
class FreeRange:
    """The pulses that one servo may get.

    Attributes
    ----------
    widest
        Lowest and highest pulse of the description, which no word widens, µs.
    lowest, highest
        Between these the joint is free, by a person's word, µs.
    looked
        The pulse of a look about which nothing was said yet, µs; None where there is none.

    """

    widest: tuple[float, float]
    lowest: float
    highest: float
    looked: float | None = None
    _longest: dict[bool, float] = field(
        default_factory=lambda: {False: LONGEST_STEP_US, True: LONGEST_STEP_US}
    )

    def longest_step(self, *, upward: bool) -> float:
        """Longest step of the next look beyond an end, µs; 0 where the stop is found."""
        longest = self._longest[upward]
        room = self.widest[1] - self.highest if upward else self.lowest - self.widest[0]
        return min(longest, room) if longest >= FINEST_STEP_US else 0.0

    def nearest(self, pulse_us: float) -> float:
        """Give the pulse in the range that is nearest to another one, µs."""
        return min(max(pulse_us, self.lowest), self.highest)

    def check(self, pulse_us: float) -> None:
        """Raise CommandError where a pulse, µs, is not within the range."""
        if not self.lowest <= pulse_us <= self.highest:  # false for NaN as well
            raise CommandError(
                f'{pulse_us:g} us is not within {self.lowest:g} to {self.highest:g} us, which are '
                'known to be free: look a step beyond the end, or allow more'
            )

    def allow(self, lowest: float, highest: float) -> None:
        """Take a person's word that the joint is free between two pulses, µs, and only there.

        Raises
        ------
        CommandError
            They are no range, or reach beyond the description.

        """
        low, high = self.widest
        if not (isfinite(lowest) and isfinite(highest) and low <= lowest <= highest <= high):
            raise CommandError(
                f'{lowest:g} to {highest:g} us is no range within {low:g} to {high:g} us, the '
                'pulses of this servo by the description'
            )
        self.lowest, self.highest = lowest, highest
        self.looked = None
        self._longest = {False: LONGEST_STEP_US, True: LONGEST_STEP_US}

    def look(self, step_us: float) -> float:
        """Give the pulse one step beyond an end: the highest for a step above 0, else the lowest.

        Raises
        ------
        CommandError
            The step is too long, or there is nothing more to look for.

        """
        if not isfinite(step_us) or step_us == 0.0:
            raise CommandError(f'a look needs a step that leads somewhere (got {step_us:g} us)')
        upward = step_us > 0.0
        longest = self.longest_step(upward=upward)
        end = self.highest if upward else self.lowest
        if self._longest[upward] < FINEST_STEP_US:
            raise CommandError(f'the stop beyond {end:g} us is found: go no closer')
        if abs(step_us) > longest:
            raise CommandError(
                f'a look from {end:g} us goes {longest:g} us at most (got {abs(step_us):g} us)'
            )
        self.looked = end + step_us
        return self.looked

    def say_free(self) -> None:
        """Take a person's word that the joint turned freely all the way of the last look.

        Raises
        ------
        CommandError
            There was no look.

        """
        looked = self._take_look()
        self.lowest, self.highest = min(self.lowest, looked), max(self.highest, looked)

    def say_touched(self) -> None:
        """Take a person's word that the joint met something in the last look.

        Raises
        ------
        CommandError
            There was no look.

        """
        looked = self._take_look()
        upward = looked > self.highest
        step = looked - self.highest if upward else self.lowest - looked
        self._longest[upward] = step / 2.0

    def _take_look(self) -> float:
        looked, self.looked = self.looked, None
        if looked is None:
            raise CommandError('there was no look beyond the range to judge')
        return looked
