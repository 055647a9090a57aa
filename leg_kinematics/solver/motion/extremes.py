# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How far and how fast a trajectory goes between its points, exactly.

The cubic that `Trajectory.sample` plays between two points can leave the range of both: what
must hold on the way has to be asked of its extremes.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import copysign, sqrt

from leg_kinematics.solver.motion.trajectory import Trajectory


@dataclass(frozen=True, slots=True)
class _Cubic:
    """One joint between two points; its speed at a share u of the time is c + u (b + u a)."""

    position: float
    span: float
    a: float
    b: float
    c: float

    def at(self, u: float) -> float:
        """Position at a share of the time."""
        return self.position + self.span * u * (self.c + u * (self.b / 2.0 + u * self.a / 3.0))

    def standstills(self) -> Iterator[float]:
        """Shares of the time at which the joint turns back, the ends not among them."""
        discriminant = self.b * self.b - 4.0 * self.a * self.c
        if discriminant < 0.0:
            return
        # The form that does not cancel.
        q = -0.5 * (self.b + copysign(sqrt(discriminant), self.b))
        if self.a != 0.0 and 0.0 < q / self.a < 1.0:
            yield q / self.a
        if q != 0.0 and 0.0 < self.c / q < 1.0:
            yield self.c / q


def position_ranges(trajectory: Trajectory) -> tuple[tuple[float, float], ...]:
    """Lowest and highest position of each joint on the whole way, rad, shape (joints, 2)."""
    lowest = [min(joint) for joint in zip(*trajectory.positions, strict=True)]
    highest = [max(joint) for joint in zip(*trajectory.positions, strict=True)]
    for joint, cubic in _cubics(trajectory):
        for u in cubic.standstills():
            position = cubic.at(u)
            lowest[joint] = min(lowest[joint], position)
            highest[joint] = max(highest[joint], position)
    return tuple(zip(lowest, highest, strict=True))


def peak_speeds(trajectory: Trajectory) -> tuple[float, ...]:
    """Highest speed of each joint on the whole way, rad/s, shape (joints,)."""
    rates = zip(*trajectory.velocities, strict=True)
    peaks = [max(abs(rate) for rate in joint) for joint in rates]
    for joint, cubic in _cubics(trajectory):
        if cubic.a != 0.0 and 0.0 < -cubic.b / (2.0 * cubic.a) < 1.0:
            turning = cubic.c - cubic.b * cubic.b / (4.0 * cubic.a)
            peaks[joint] = max(peaks[joint], abs(turning))
    return tuple(peaks)


def _cubics(trajectory: Trajectory) -> Iterator[tuple[int, _Cubic]]:
    rows = zip(trajectory.times, trajectory.positions, trajectory.velocities, strict=True)
    for (start, before, leaving), (end, after, arriving) in pairwise(rows):
        span = end - start
        joints = zip(before, after, leaving, arriving, strict=True)
        for joint, (p, q, v, w) in enumerate(joints):
            mean = (q - p) / span
            yield (
                joint,
                _Cubic(p, span, 3.0 * (v + w) - 6.0 * mean, 6.0 * mean - 4.0 * v - 2.0 * w, v),
            )
