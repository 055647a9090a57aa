# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One line of the report: a value, its bounds, and what would help."""

from dataclasses import dataclass
from enum import StrEnum
from math import degrees

#: From SI to what a person reads: unit and factor.
SHOWN = {
    'm': ('mm', 1e3),
    'rad': ('deg', degrees(1.0)),
    'm/s': ('mm/s', 1e3),
    'rad/s': ('deg/s', degrees(1.0)),
    'of stall': ('%', 1e2),
    'of no-load': ('%', 1e2),
    'us': ('µs', 1.0),
    'kg': ('kg', 1.0),
    'N': ('N', 1.0),
    's': ('min', 1.0 / 60.0),
}


class Verdict(StrEnum):
    """What a line says."""

    PASS = 'pass'  # noqa: S105, the word is no password
    TIGHT = 'tight'
    FAIL = 'fail'


@dataclass(frozen=True)
class Bounds:
    """What a value has to keep, in SI, pulses in µs.

    Attributes
    ----------
    good
        From here on the line passes.
    bound
        Beyond it the line fails; between the two it is tight. The value has to be above both
        where ``good`` is above ``bound``, and below both otherwise.

    """

    good: float
    bound: float


@dataclass(frozen=True)
class Finding:
    """One line of the report.

    Attributes
    ----------
    group
        What the line is about, such as ``reach``.
    name
        Of the value.
    value
        In SI, pulses in µs; None where it does not exist, which fails.
    unit
        A key of `SHOWN`.
    bounds
        What the value has to keep.
    detail
        Where and when the value was found, or why there is none.
    remedy
        What would help.
    advice
        Single changes that were tried and are enough for this line to pass, in words; or that
        none was found.

    """

    group: str
    name: str
    value: float | None
    unit: str
    bounds: Bounds
    detail: str
    remedy: str
    advice: tuple[str, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """Pass, tight or fail."""
        if self.value is None:
            return Verdict.FAIL
        good, bound = self.bounds.good, self.bounds.bound
        sign = 1.0 if good > bound else -1.0
        # Written so that a NaN fails.
        if sign * self.value >= sign * good:
            return Verdict.PASS
        return Verdict.TIGHT if sign * self.value >= sign * bound else Verdict.FAIL

    def shown(self, value: float | None) -> str:
        """Write a value in the unit a person reads."""
        unit, factor = SHOWN[self.unit]
        return '–' if value is None else f'{value * factor:.3g} {unit}'

    @property
    def shown_bounds(self) -> str:
        """Both bounds in the unit of the shown value, the one to pass first."""
        good, bound = self.bounds.good, self.bounds.bound
        factor = SHOWN[self.unit][1]
        return f'{"≥" if good > bound else "≤"} {good * factor:.3g} ({bound * factor:.3g})'
