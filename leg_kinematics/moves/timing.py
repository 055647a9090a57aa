# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whether the legs can follow a path, and how long they take."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.moves.paths import STILL, FeetPath, StraightLines, longest_way
from leg_kinematics.moves.steps import Haste
from leg_kinematics.solver import (
    PEAK_SPEED,
    LegSolver,
    State,
    Trajectory,
    minimum_jerk,
    peak_speeds,
    polyline_move,
    position_ranges,
)

#: A circle or a move of the body is looked at at so many instants.
SAMPLES = 100

#: No move takes less, s: a servo that has hardly any way to go shall not jerk.
SHORTEST_MOVE = 0.2


class Timed(NamedTuple):
    """How long a path takes, s, how long it should, and in how many sub-moves."""

    duration: float
    wanted: float
    sub_moves: int = 0


class Timing:
    """Solves paths.

    Parameters
    ----------
    legs
        The solvers of all legs.
    tolerance
        Distance of a foot from its straight line, m.
    speeds
        Highest speed of each joint, rad/s, by name.

    """

    def __init__(
        self, legs: Sequence[LegSolver], *, tolerance: float, speeds: Mapping[str, float]
    ) -> None:
        """Know the legs."""
        self._legs = tuple(legs)
        self._tolerance = tolerance
        self._speeds = speeds

    def of(self, path: FeetPath, haste: Haste) -> Timed:
        """Solve a path.

        Raises
        ------
        LegKinematicsError
            A foot cannot follow; says leg or joint, value and bound, and where.

        """
        wanted = haste.time
        if wanted is None:
            wanted = max(SHORTEST_MOVE, PEAK_SPEED * longest_way(path) / haste.speed)
        if isinstance(path, StraightLines):
            return self._lines(path, wanted)
        return self._curves(path, wanted)

    def _lines(self, path: StraightLines, wanted: float) -> Timed:
        moving = [index for index, foot in enumerate(path.start) if foot != path.goal[index]]
        if not moving:
            return Timed(wanted, wanted)
        legs = [self._legs[index] for index in moving]
        try:
            trajectory = polyline_move(
                legs,
                [[feet[index] for index in moving] for feet in (path.start, path.goal)],
                [wanted],
                tolerance=self._tolerance,
                speeds=[self._speeds[joint] for leg in legs for joint in leg.joints],
            )
        except LegKinematicsError as error:
            raise CommandError(
                f'on the straight line there: {error}; go there by another place'
            ) from error
        return Timed(trajectory.end, wanted, len(trajectory.times) - 1)

    def _curves(self, path: FeetPath, wanted: float) -> Timed:
        """Solve a path by samples, as a move of one second first."""
        samples = [
            minimum_jerk(State(0.0), 1.0, 1.0, number / SAMPLES) for number in range(SAMPLES + 1)
        ]
        needed = wanted
        for index, leg in enumerate(self._legs):
            if all(path.rates(each.position)[index] == STILL for each in samples):
                continue
            unit = _unit_move(leg, path, index, samples)
            for q1, q2, q3 in zip(*position_ranges(unit), strict=True):
                leg.check((q1, q2, q3))
            for joint, peak in zip(leg.joints, peak_speeds(unit), strict=True):
                needed = max(needed, peak / self._speeds[joint])
        return Timed(needed, wanted)


def _unit_move(leg: LegSolver, path: FeetPath, index: int, samples: Sequence[State]) -> Trajectory:
    """Give the joints of one leg along a path that takes one second.

    Raises
    ------
    CommandError
        Its foot cannot follow; says from where on.

    """
    positions, velocities = [], []
    for sample_number, progress in enumerate(samples):
        try:
            angles = leg.angles(path.feet(progress.position)[index])
            # At rest a foot may even be where the rates of its joints have no bound.
            rates = STILL
            if 0 < sample_number < SAMPLES:
                rates = leg.velocity(angles, path.rates(progress.position)[index])
        except LegKinematicsError as error:
            before = samples[max(0, sample_number - 1)].position
            raise CommandError(f'{error}; it can be done {path.words(before)}') from error
        positions.append(angles)
        velocities.append(tuple(progress.velocity * rate for rate in rates))
    times = tuple(number / SAMPLES for number in range(SAMPLES + 1))
    return Trajectory(times, tuple(positions), tuple(velocities))
