# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a planned motion asks of the servos.

Of a swing it is a share of what they may be asked, of a way of the body the time that they need.
"""

from collections.abc import Sequence
from math import inf

import numpy as np

from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.gait.body_offset import LEVEL, Offset
from leg_kinematics.gait.body_state import BodyState
from leg_kinematics.gait.foot import Foot, Swing
from leg_kinematics.gait.planar import Point, seen
from leg_kinematics.gait.servo_speed import joint_rates, minimum_jerk_law
from leg_kinematics.robot import Vector
from leg_kinematics.solver import PEAK_SPEED, LegSolver, minimum_jerk, solve_batch

#: Instants of the rest of a swing, as shares of it, at which its joint speeds are looked at.
LOOKS = (0.2, 0.33, 0.46, 0.62, 0.78)

#: Parts of a planned way at whose ends it is looked at.
PARTS = 16


def swing_effort(
    leg: LegSolver, speeds: Vector, foot: Foot, swing: Swing, goal: Point, *, body: BodyState
) -> float:
    """Tell how much of the permitted joint speed the rest of a swing to a goal asks for.

    Parameters
    ----------
    leg
        Its solver.
    speeds
        What may be asked of each joint, rad/s.
    foot, swing
        As they are now.
    goal
        Footprint, m.
    body
        As it is now; its twist is taken to last.

    Returns
    -------
    float
        Infinite where the foot would leave its reach.

    """
    pose, twist, height, offset = body
    highest = 0.0
    for share in LOOKS:
        time = share * swing.remaining
        x = minimum_jerk(foot.x, goal[0], swing.remaining, time)
        y = minimum_jerk(foot.y, goal[1], swing.remaining, time)
        z = swing.elevation(swing.progress_after(time))
        (u, v), (du, dv) = seen(
            pose * twist.over(time),
            twist,
            (x.position, y.position),
            (x.velocity, y.velocity),
        )
        place, velocity = (u, v, z.position - height), (du, dv, z.velocity)
        if offset != LEVEL:
            place, velocity = offset.see(place), offset.turn_back(velocity)
        try:
            rates = leg.velocity(leg.angles(place), velocity)
        except LegKinematicsError:
            return inf
        highest = max(
            highest, *(abs(rate) / most for rate, most in zip(rates, speeds, strict=True))
        )
    return highest


def placing_effort(
    leg: LegSolver, speeds: Vector, place: Point, swing: Swing, *, goal: Point, height: float
) -> float:
    """Tell the same of a whole swing from a place to a goal under a body that does not move.

    Both points in the level body, m, its height above z = 0.
    """
    u = np.linspace(0.0, 1.0, PARTS + 1)
    law, slope = minimum_jerk_law(u)
    way = np.array(goal) - place
    elevations = [swing.elevation(progress) for progress in u]
    z = np.array([state.position for state in elevations]) - height
    rise = np.array([state.velocity for state in elevations])
    places = np.column_stack((place + np.outer(law, way), z))
    velocities = np.column_stack((np.outer(slope, way) / swing.remaining, rise))
    rates = joint_rates(leg, places, velocities, LEVEL)
    return float((np.abs(rates) / speeds).max())


def way_times(
    leg: LegSolver, speeds: Vector, feet: Sequence[Vector], way: Sequence[Offset]
) -> list[float]:
    """Time that the body needs for a way over feet that stand, one a foot, s.

    Parameters
    ----------
    leg
        Its solver.
    speeds
        What may be asked of each joint, rad/s.
    feet
        Places at which its foot may stand, in the level body, m.
    way
        Offsets of the body at the ends of equal parts of the way.

    Returns
    -------
    list of float
        Infinite where the foot is out of reach on the way.

    """
    # Shape (ends, feet, axes).
    turns = np.array([offset.rotation for offset in way])
    seen_feet = (np.array(feet) - np.array([[offset.shift] for offset in way])) @ turns
    solution = solve_batch(leg, seen_feet.reshape(-1, 3))
    angles = solution.angles.reshape(seen_feet.shape)
    steps = np.abs(np.diff(angles, axis=0)) / speeds
    times = PEAK_SPEED * (len(way) - 1) * steps.max(axis=(0, 2))
    reached = solution.reached.reshape(len(way), -1).all(axis=0)
    return np.where(reached, times, inf).tolist()  # type: ignore[no-any-return]
