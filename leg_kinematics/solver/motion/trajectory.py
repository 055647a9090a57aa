# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A joint trajectory as values, sampled by cubic Hermite."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite

from leg_kinematics.errors import CommandError


@dataclass(frozen=True)
class Trajectory:
    """Positions and velocities at strictly increasing times.

    Attributes
    ----------
    times
        s since the start, shape (n,).
    positions
        rad, shape (n, joints).
    velocities
        rad/s, shape (n, joints).

    """

    times: tuple[float, ...]
    positions: tuple[tuple[float, ...], ...]
    velocities: tuple[tuple[float, ...], ...]

    def __post_init__(self) -> None:
        """Refuse what cannot be sampled."""
        if not len(self.times) == len(self.positions) == len(self.velocities) > 0:
            raise CommandError(
                f'a trajectory needs one row of positions and velocities a time, got '
                f'{len(self.times)} times, {len(self.positions)} and {len(self.velocities)} rows'
            )
        rows = (self.times, *self.positions, *self.velocities)
        if not all(isfinite(value) for row in rows for value in row):
            raise CommandError('a trajectory holds a time, position or velocity that is not finite')
        widths = sorted({len(row) for row in rows[1:]})
        if len(widths) > 1:
            raise CommandError(
                f'every row of a trajectory needs one value a joint, got rows of {widths}'
            )
        for earlier, later in pairwise(self.times):
            if not later > earlier:
                raise CommandError(
                    f'time_from_start must increase strictly, got {earlier:g} s then {later:g} s'
                )

    @property
    def end(self) -> float:
        """Time of the last point, s."""
        return self.times[-1]

    def sample(self, time: float) -> tuple[float, ...]:
        """Positions at a time, rad, shape (joints,): those of `state`."""
        return self.state(time)[0]

    def state(self, time: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
        """Positions and velocities at a time, rad and rad/s, shape (joints,) each.

        - before the first point: its positions, at rest;
        - at a point, the first and the last among them: its positions and velocities;
        - between two points: of the cubic that has the positions and velocities of both;
        - after the last point: its positions, at rest.

        At both ends the velocities therefore jump unless the point itself is at rest; the
        positions never do. The times are compared as they are, without a tolerance: a time that
        rounding has put behind the last point is behind it.
        """
        index = bisect_left(self.times, time)
        if index == len(self.times):
            return self.positions[-1], (0.0,) * len(self.positions[-1])
        if index == 0:
            still = (0.0,) * len(self.positions[0])
            return self.positions[0], self.velocities[0] if time == self.times[0] else still
        start, end = self.times[index - 1], self.times[index]
        return hermite(
            (time - start) / (end - start),
            end - start,
            (self.positions[index - 1], self.velocities[index - 1]),
            (self.positions[index], self.velocities[index]),
        )


def hermite(
    u: float,
    span: float,
    first: tuple[Sequence[float], Sequence[float]],
    second: tuple[Sequence[float], Sequence[float]],
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Positions and velocities on the cubic between two points.

    Parameters
    ----------
    u
        Share of the time between them that has passed, in [0, 1].
    span
        That time, s.
    first, second
        Positions and velocities of both points, shape (n,) each.

    """
    h01 = u * u * (3.0 - 2.0 * u)
    h10 = u * (1.0 - u) * (1.0 - u) * span
    h11 = u * u * (u - 1.0) * span
    g01 = 6.0 * u * (1.0 - u) / span
    g10 = (1.0 - u) * (1.0 - 3.0 * u)
    g11 = u * (3.0 * u - 2.0)
    joints = tuple(zip(*first, *second, strict=True))
    return (
        tuple(p + h01 * (q - p) + h10 * v + h11 * w for p, v, q, w in joints),
        tuple(g01 * (q - p) + g10 * v + g11 * w for p, v, q, w in joints),
    )
