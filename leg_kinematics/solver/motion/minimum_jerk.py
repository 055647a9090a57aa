# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The smoothest way from one state to another: the quintic of least jerk.

Flash and Hogan, Journal of Neuroscience 5 (1985) 1688-1703: between two states (position,
velocity, acceleration) the integral of squared jerk is least on a polynomial of fifth degree.
Planning it anew from the state reached gives the same curve, so that the goal may move on the
way without a jump in position, velocity or acceleration.
"""

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

#: An instant, or many in an array.
Time = TypeVar('Time', float, NDArray[np.float64])

#: Peak speed of a way of unit length, from rest to rest, in unit time: 30 u^2 (1 - u)^2 at 1/2.
PEAK_SPEED = 1.875


@dataclass(frozen=True, slots=True)
class State:
    """Position, velocity and acceleration of one coordinate (m, m/s, m/s^2 or alike)."""

    position: float
    velocity: float = 0.0
    acceleration: float = 0.0


def minimum_jerk(start: State, goal: float, duration: float, time: float) -> State:
    """State at a time on the way to rest at a goal.

    Parameters
    ----------
    start
        The state at time 0.
    goal
        Where to come to rest.
    duration
        When to be there, s; at or beyond it the answer is rest at the goal.
    time
        Since the start, s.

    """
    if time >= duration:
        return State(goal)
    return State(*on_the_way(start, goal, duration, time))


def on_the_way(start: State, goal: float, duration: float, time: Time) -> tuple[Time, Time, Time]:
    """Position, velocity and acceleration as `minimum_jerk` has them, at instants of the way.

    Parameters
    ----------
    start, goal, duration
        As there.
    time
        Since the start, within the duration, s; one instant or an array.

    """
    u = time / duration
    span = goal - start.position
    v = start.velocity * duration
    a = start.acceleration * duration * duration
    c3 = 10.0 * span - 6.0 * v - 1.5 * a
    c4 = -15.0 * span + 8.0 * v + 1.5 * a
    c5 = 6.0 * span - 3.0 * v - 0.5 * a
    position = start.position + u * (v + u * (0.5 * a + u * (c3 + u * (c4 + u * c5))))
    velocity = v + u * (a + u * (3.0 * c3 + u * (4.0 * c4 + u * 5.0 * c5)))
    acceleration = a + u * (6.0 * c3 + u * (12.0 * c4 + u * 20.0 * c5))
    return position, velocity / duration, acceleration / (duration * duration)
