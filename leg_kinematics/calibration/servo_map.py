# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Which pulse on which channel of which board turns a joint to an angle."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from leg_kinematics.calibration.curves import Curve
from leg_kinematics.errors import MapRangeError
from leg_kinematics.robot import Document, Robot


@dataclass(frozen=True)
class ServoMap:
    """The way from the angle of one joint to the pulse of its servo, and back.

    Attributes
    ----------
    joint
        Such as ``left_front_coxa``.
    board
        Name of the servo board.
    channel
        Of that board, counted from 0.
    curve
        The relation of angle and pulse.
    lowest_us, highest_us
        Bounds of every pulse for this servo, µs.

    """

    joint: str
    board: str
    channel: int
    curve: Curve
    lowest_us: float
    highest_us: float

    @cached_property
    def angle_range(self) -> tuple[float, float]:
        """Lowest and highest joint angle that the pulses can express, rad."""
        lowest, highest = self.curve.pulse_span_us
        ends = (
            self.curve.angle(max(lowest, self.lowest_us)),
            self.curve.angle(min(highest, self.highest_us)),
        )
        return (min(ends), max(ends))

    def pulse_us(self, angle: float) -> float:
        """Return the pulse in µs for a joint angle in rad.

        Raises
        ------
        MapRangeError
            When the angle is not within ``angle_range``, NaN included.

        """
        low, high = self.angle_range
        if not low <= angle <= high:
            raise MapRangeError(
                f'{self.joint}: angle {angle:.4f} rad is beyond the {low:.4f} … {high:.4f} rad '
                f'that pulses of {self.lowest_us:g} … {self.highest_us:g} µs can express'
            )
        # At the ends rounding may put the pulse a hair beyond the bounds.
        return min(max(self.curve.pulse_us(angle), self.lowest_us), self.highest_us)

    def angle(self, pulse_us: float) -> float:
        """Return the joint angle in rad at a pulse in µs.

        Raises
        ------
        MapRangeError
            When the pulse is beyond the end of a table.

        """
        return self.curve.angle(pulse_us)


@dataclass(frozen=True)
class Measured:
    """Where the numbers of a servo map file come from.

    Attributes
    ----------
    when
        Date, year first, perhaps with a time.
    how
        In words.

    """

    when: str
    how: str


@dataclass(frozen=True)
class ServoMaps:
    """The servo maps of a robot, one for every joint that is wired, in the order of the joints.

    Attributes
    ----------
    name
        Of the robot.
    measured
        Where the numbers come from.
    maps
        In the order of ``Robot.joints``.
    document
        The file they came from, kept so that a later check can still name the line.
    not_wired
        Legs whose servos are not connected yet, in the order of the description.

    """

    name: str
    measured: Measured
    maps: tuple[ServoMap, ...]
    document: Document = field(compare=False, repr=False)
    not_wired: tuple[str, ...] = ()

    @cached_property
    def by_joint(self) -> Mapping[str, ServoMap]:
        """The maps by joint name."""
        return {servo_map.joint: servo_map for servo_map in self.maps}

    def wired(self, robot: Robot) -> Robot:
        """Return the part of the robot that has servos to drive it."""
        return robot.part(name for name in robot.leg_names if name not in self.not_wired)

    @property
    def not_wired_in_words(self) -> str:
        """Say which legs are not wired; nothing where all are."""
        if not self.not_wired:
            return ''
        verb = 'is' if len(self.not_wired) == 1 else 'are'
        return f'{", ".join(self.not_wired)} {verb} not wired'

    @cached_property
    def boards(self) -> tuple[str, ...]:
        """Names of the boards, in the order of their first joint."""
        return tuple(dict.fromkeys(servo_map.board for servo_map in self.maps))
