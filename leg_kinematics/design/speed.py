# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Speed: the fastest walk that reach and servos allow."""

from collections.abc import Sequence

import numpy as np

from leg_kinematics.design.finding import Bounds, Finding
from leg_kinematics.design.steady_walk import DEFAULTS, SteadyWalk, steady_walk
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver

#: Of the no-load speed of a servo. The speed of a direct-current motor falls in proportion to its
#: load, to half at half of its stall torque (textbook, from memory); a swinging leg carries only
#: itself.
STANCE_SHARE = 0.5
SWING_SHARE = 0.85

#: Strides that are tried, as shares of the longest: near its stretch a leg needs so much speed
#: that a shorter stride may walk faster.
SHARES = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)

#: Below this share of the speed that passes the walk fails.
LEAST = 0.25


def speed_finding(robot: Robot, legs: Sequence[LegSolver], widest: SteadyWalk) -> Finding:
    """Find the fastest walk of any stride and swing time, in the direction of the widest walk.

    On one path all joint speeds are inversely proportional to the swing time, so that the
    busiest joint tells the shortest one. To pass, the tripod has to reach the top speed of the
    gait's defaults; a walk of duty factor β has for its swing (1 - β)/β of the time of its stance,
    and is slower by that.
    """
    cycle = widest.cycle
    fastest, detail = 0.0, 'no stride within reach'
    for share in SHARES:
        try:
            walk = steady_walk(robot, legs, cycle, widest.heading, widest.twist.scaled(share))
        except LegKinematicsError:
            # Reach may have a hole that only a longer stride passes by.
            continue
        effort, joint = _effort(robot, walk)
        if walk.twist.speed / effort > fastest:
            fastest = walk.twist.speed / effort
            stride = walk.twist.speed * cycle.stance_time
            swing = cycle.swing_time * effort
            detail = f'stride {stride * 1e3:.3g} mm, swing time {swing:.2f} s, limited by {joint}'
    return Finding(
        'fastest walk',
        f'duty factor {cycle.duty_factor:.2f}',
        fastest,
        'm/s',
        speed_bounds(cycle.duty_factor),
        detail,
        'faster servos, less lift, longer legs with more bent knees; a lower max_speed of the gait',
    )


def speed_bounds(duty_factor: float) -> Bounds:
    """Tell what the fastest walk of a duty factor has to reach, m/s."""
    good = DEFAULTS.max_speed * (1.0 - duty_factor) / duty_factor
    return Bounds(good=good, bound=LEAST * good)


def _effort(robot: Robot, walk: SteadyWalk) -> tuple[float, str]:
    """Largest joint speed as a share of what is allowed, and its joint."""
    speeds = np.array([[link.servo.speed for link in leg.links] for leg in robot.legs])
    allowed = np.where(walk.standing[:, :, np.newaxis], STANCE_SHARE, SWING_SHARE) * speeds
    efforts = (np.abs(walk.rates) / allowed).max(axis=0)
    busiest = int(efforts.argmax())
    return float(efforts.flat[busiest]), robot.joints[busiest]
