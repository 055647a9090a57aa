# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The body rises and sinks over its feet, smoothly and never beyond where it is going."""

from leg_kinematics.solver import State, minimum_jerk

#: Instants at which a way is looked at before it is taken.
LOOKS = 40

#: What the body may pass its goal by, m.
SLACK = 1e-4


class Rise:
    """Height of the body on its way to a goal.

    Parameters
    ----------
    height
        At rest, m.
    duration
        Of a way, s.

    Attributes
    ----------
    state
        Height, m, and its rates.

    """

    def __init__(self, height: float, duration: float) -> None:
        """Be at rest."""
        self.state = State(height)
        self._duration = duration
        self._goal = height
        self._remaining = 0.0

    def step(self, goal: float, dt: float) -> bool:
        """Go on towards a goal by dt seconds; tell whether it is reached.

        Turned round on its way, the body goes on until the way back leads beyond neither end: at
        the latest until it has come to the first goal.
        """
        if goal != self._goal and self._may_turn(goal):
            self._goal, self._remaining = goal, self._duration
        self.state = minimum_jerk(self.state, self._goal, self._remaining, dt)
        self._remaining = max(0.0, self._remaining - dt)
        return self._remaining == 0.0 and self._goal == goal

    def _may_turn(self, goal: float) -> bool:
        ends = (goal, self._goal, self.state.position)
        low, high = min(ends) - SLACK, max(ends) + SLACK
        return all(
            low <= minimum_jerk(self.state, goal, self._duration, look).position <= high
            for look in (self._duration * share / LOOKS for share in range(1, LOOKS))
        )
