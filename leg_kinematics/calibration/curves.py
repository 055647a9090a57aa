# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How the pulse of a servo follows the angle of its joint: a straight line or a table.

The angle per microsecond of a hobby servo is not standard (90 and 180 degrees per 1000 µs are
both sold), so that each joint carries a curve of its own. Angles in rad, pulses in µs.
"""

from bisect import bisect_right
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Protocol

from leg_kinematics.errors import MapRangeError


class Curve(Protocol):
    """A strictly monotone relation between joint angle and pulse."""

    def pulse_us(self, angle: float) -> float:
        """Return the pulse in µs at a joint angle in rad."""

    def angle(self, pulse_us: float) -> float:
        """Return the joint angle in rad at a pulse in µs."""

    @property
    def pulse_span_us(self) -> tuple[float, float]:
        """Lowest and highest pulse that the curve knows, µs; infinite where it has no end."""


@dataclass(frozen=True)
class LinearCurve:
    """A servo that turns in proportion to its pulse.

    Attributes
    ----------
    centre_us
        A pulse at which the joint angle is known, µs.
    gain_us_per_rad
        Change of the pulse with the joint angle; negative where the servo turns the other way.
    horn_offset
        The joint angle at ``centre_us``, rad: how the horn sits on its spline.

    """

    centre_us: float
    gain_us_per_rad: float
    horn_offset: float

    def pulse_us(self, angle: float) -> float:
        """Return the pulse in µs at a joint angle in rad."""
        return self.centre_us + self.gain_us_per_rad * (angle - self.horn_offset)

    def angle(self, pulse_us: float) -> float:
        """Return the joint angle in rad at a pulse in µs."""
        return self.horn_offset + (pulse_us - self.centre_us) / self.gain_us_per_rad

    @property
    def pulse_span_us(self) -> tuple[float, float]:
        """A straight line has no end."""
        return (float('-inf'), float('inf'))


@dataclass(frozen=True)
class TableCurve:
    """A servo that is not linear: measured points, straight between them, nothing beyond.

    Attributes
    ----------
    angles
        Joint angles in rad, strictly increasing or strictly decreasing, two or more.
    pulses_us
        The pulse at each of them, µs, strictly increasing or strictly decreasing.

    Raises
    ------
    ValueError
        When the lengths differ, there are fewer than two points, or one is not monotone.

    """

    angles: tuple[float, ...]
    pulses_us: tuple[float, ...]

    def __post_init__(self) -> None:
        """Refuse a table that has no inverse."""
        if len(self.angles) != len(self.pulses_us):
            raise ValueError(f'{len(self.angles)} angles but {len(self.pulses_us)} pulses')
        if len(self.angles) < 2:
            raise ValueError(f'a table needs two points or more (got {len(self.angles)})')
        for name, values in (('angles', self.angles), ('pulses', self.pulses_us)):
            sign = 1.0 if values[1] > values[0] else -1.0
            for row, (before, after) in enumerate(pairwise(values), start=2):
                # Written so that a NaN is refused.
                if not sign * (after - before) > 0.0:
                    raise ValueError(
                        f'the {name} must all rise or all fall from row to row: look at row {row}'
                    )

    def pulse_us(self, angle: float) -> float:
        """Return the pulse in µs at a joint angle in rad.

        Raises
        ------
        MapRangeError
            When the angle is beyond the table.

        """
        return _interpolate(angle, *self._by_angle, f'angle {angle:.6g} rad')

    def angle(self, pulse_us: float) -> float:
        """Return the joint angle in rad at a pulse in µs.

        Raises
        ------
        MapRangeError
            When the pulse is beyond the table.

        """
        return _interpolate(pulse_us, *self._by_pulse, f'pulse {pulse_us:.6g} µs')

    @property
    def pulse_span_us(self) -> tuple[float, float]:
        """The outer pulses of the table, µs."""
        return (min(self.pulses_us), max(self.pulses_us))

    @cached_property
    def _by_angle(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        angles, pulses = zip(*sorted(zip(self.angles, self.pulses_us, strict=True)), strict=True)
        return (angles, pulses)

    @cached_property
    def _by_pulse(self) -> tuple[tuple[float, ...], tuple[float, ...]]:
        pulses, angles = zip(*sorted(zip(self.pulses_us, self.angles, strict=True)), strict=True)
        return (pulses, angles)


def _interpolate(x: float, xs: tuple[float, ...], ys: tuple[float, ...], what: str) -> float:
    if not xs[0] <= x <= xs[-1]:
        raise MapRangeError(
            f'{what} is beyond the table, which ends at {xs[0]:.6g} and {xs[-1]:.6g}'
        )
    right = min(bisect_right(xs, x), len(xs) - 1)
    share = (x - xs[right - 1]) / (xs[right] - xs[right - 1])
    # Weighted so that both end points come out exactly.
    return (1.0 - share) * ys[right - 1] + share * ys[right]
