# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The level that the ground seems to have: the mean of where the feet stood last, smoothed."""

from leg_kinematics.gait.body_offset import SHORTEST_MOVE
from leg_kinematics.solver import PEAK_SPEED, State, minimum_jerk


class GroundLevel:
    """Follows the mean elevation of the feet at a bounded speed.

    Parameters
    ----------
    speed
        Peak speed of a way from rest, m/s.

    Attributes
    ----------
    state
        Elevation, m, and its rates.

    """

    def __init__(self, speed: float) -> None:
        """Begin at zero."""
        self.state = State(0.0)
        self._speed = speed
        self._goal = 0.0
        self._remaining = 0.0

    def step(self, mean: float, dt: float) -> None:
        """Go on towards the mean by dt seconds."""
        if mean != self._goal:
            self._goal = mean
            way = abs(mean - self.state.position)
            self._remaining = max(SHORTEST_MOVE, PEAK_SPEED * way / self._speed)
        if self._remaining > 0.0:
            self.state = minimum_jerk(self.state, self._goal, self._remaining, dt)
            self._remaining -= dt
