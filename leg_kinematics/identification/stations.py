# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Where legs stand to be measured, and which of these places were measured already."""

import enum
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from leg_kinematics.calibration.foot_readings import (
    FootEntry,
    FootOnGround,
    FootRead,
    LegPosed,
    LegStand,
)
from leg_kinematics.identification.approach import Point

#: Pulses nearer than this are the same, µs: boards put out half microseconds, and maps are written
#: with a few digits.
SAME_US = 1.5

#: A leg at a point, or several that are photographed together, each at one.
Station = tuple[Point, ...]


class By(enum.Enum):
    """How feet are measured; its value is what is noted then."""

    RULER = FootRead
    GROUND = FootOnGround
    PHOTOGRAPHS = LegPosed


@dataclass(frozen=True)
class Round:
    """Stations that are measured one after another, and judged together.

    Attributes
    ----------
    legs
        Which are measured: one, or by photographs all.
    stations
        Where, in the order in which they are best come to.
    by
        How.

    """

    legs: tuple[str, ...]
    stations: tuple[Station, ...]
    by: By


def still_open(of: Round, noted: Iterable[FootEntry]) -> tuple[Station, ...]:
    """Return the stations of a round that are still to be measured.

    Whatever was measured elsewhere, as with former maps, or lower down until the foot touched the
    ground, stands for one of them, too.

    Parameters
    ----------
    of
        The round.
    noted
        All about feet.

    """
    stands = [
        each.stand for each in noted if isinstance(each, of.by.value) and each.stand.leg in of.legs
    ]
    left = [
        station
        for station in of.stations
        if not all(any(_same(point, stand) for stand in stands) for point in station)
    ]
    planned = [point for station in of.stations for point in station]
    others = [
        stand
        for stand in stands
        if stand.leg == of.legs[0] and not any(_same(point, stand) for point in planned)
    ]
    return tuple(left[len(others) :])


def nearest(of: Round, stand: LegStand) -> Station:
    """Return the station of a round that is nearest to how a leg stood."""

    def away(station: Station) -> float:
        return sum(_away(point.stand, stand) for point in station if point.leg == stand.leg)

    return min(of.stations, key=away)


def _same(point: Point, stand: LegStand) -> bool:
    return point.leg == stand.leg and all(
        abs(planned - put_out) < SAME_US
        for planned, put_out in zip(point.stand.pulses_us, stand.pulses_us, strict=True)
    )


def _away(planned: LegStand, stand: LegStand) -> float:
    pairs = zip(planned.pulses_us, stand.pulses_us, strict=True)
    return sum(abs(first - second) for first, second in pairs)


def last_placement(noted: Sequence[FootEntry]) -> int | None:
    """Return the number of the latest placement; None before the first."""
    numbers = [
        each.placement for each in noted if isinstance(each, FootRead | FootOnGround | LegPosed)
    ]
    return numbers[-1] if numbers else None


def last_pose(noted: Sequence[FootEntry]) -> int:
    """Return the number of the latest pose; 0 before the first."""
    return max((each.pose for each in noted if isinstance(each, LegPosed)), default=0)


def legs_noted(noted: Iterable[FootEntry]) -> frozenset[str]:
    """Return the legs of which feet were measured, or photographed."""
    return frozenset(
        each.stand.leg for each in noted if isinstance(each, FootRead | FootOnGround | LegPosed)
    )
