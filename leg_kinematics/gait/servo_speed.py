# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How fast a leg may walk, by the speed of its servos.

In a swing a foot makes good in a short time what it loses in a long stance: while it stands it
moves at the speed of the body, while it swings at up to 1.875/(1 - beta) - 1 times that, and it
rises and falls besides. The servos' speed therefore bounds the walk in the swing.
"""

from collections.abc import Sequence
from math import atan2, tau

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.gait.body_offset import LEVEL, Offset
from leg_kinematics.gait.planar import Point
from leg_kinematics.robot import Vector
from leg_kinematics.solver import LegSolver, solve_batch

Array = NDArray[np.float64]

UP = np.array((0.0, 0.0, 1.0))

#: Directions in which a foot is tried; between two of them the speed is interpolated.
HEADINGS = 16

#: Strides that are tried, as parts of the longest.
STRIDES = 5

#: Parts of a swing at whose ends the joint speeds are looked at.
PARTS = 16


def fastest_stances(
    leg: LegSolver,
    neutral: Vector,
    radius: float,
    speeds: Vector,
    *,
    swing_time: float,
    duty_factor: float,
    lift: float,
    offset: Offset = LEVEL,
) -> tuple[float, ...]:
    """Highest speed of a foot on the ground whose steady swing no joint is too slow for.

    By half a stride a, with u the share of the swing and h the minimum-jerk law, the foot is at
    a (2 (h(u) - (1 - beta) u) / beta - 1) along its heading, seen from the body.

    Parameters
    ----------
    leg
        Its solver.
    neutral
        Where the foot stands at mid stance, in the level body, m.
    radius
        Longest half stride, m.
    speeds
        What is allowed of each joint, rad/s.
    swing_time
        s.
    duty_factor
        Share of the cycle in which the leg stands.
    lift
        Height of the swing, m.
    offset
        Of the body from its level pose.

    Returns
    -------
    tuple of float
        m/s, one for each of `HEADINGS` directions in which the body may go there, from +x on,
        counter-clockwise; in proportion where it is more than the radius allows, and 0 where not
        even a swing on the spot is slow enough.

    """
    u = np.linspace(0.0, 1.0, PARTS + 1)
    law, slope = minimum_jerk_law(u)
    along = 2.0 * (law - (1.0 - duty_factor) * u) / duty_factor - 1.0
    along_rate = 2.0 * (slope - (1.0 - duty_factor)) / (duty_factor * swing_time)
    rise, rise_rate = _rise(u, lift, swing_time)
    # There and back are one: the same swing the other way round, with every joint speed reversed.
    angle = tau * np.arange(HEADINGS // 2) / HEADINGS
    heading = np.stack((np.cos(angle), np.sin(angle), np.zeros(HEADINGS // 2)), axis=-1)
    half_strides = radius * np.arange(STRIDES + 1) / STRIDES
    # Shape (headings, strides, instants, axes).
    forth = heading[:, None, None, :] * half_strides[None, :, None, None]
    places = np.array(neutral) + forth * along[:, None] + UP * rise[:, None]
    velocities = forth * along_rate[:, None] + UP * rise_rate[:, None]
    rates = joint_rates(leg, places.reshape(-1, 3), velocities.reshape(-1, 3), offset)
    efforts = np.abs(rates) / np.array(speeds)
    effort = efforts.reshape(HEADINGS // 2, STRIDES + 1, -1).max(axis=-1)
    to_speed = 2.0 * (1.0 - duty_factor) / (duty_factor * swing_time)
    return 2 * tuple(to_speed * _crossing(half_strides, row) for row in effort)


def liftable_radius(
    leg: LegSolver,
    neutral: Vector,
    radius: float,
    speeds: Vector,
    *,
    swing_time: float,
    lift: float,
    offset: Offset = LEVEL,
) -> float:
    """Largest radius around its neutral point in which the servos can lift the foot in time, m.

    The parameters are those of `fastest_stances`; the answer is not above the radius.
    """
    # The foot comes down as it went up.
    u = np.linspace(0.0, 0.5, PARTS // 2 + 1)
    rise, rise_rate = _rise(u, lift, swing_time)
    angle = tau * np.arange(HEADINGS) / HEADINGS
    heading = np.stack((np.cos(angle), np.sin(angle), np.zeros(HEADINGS)), axis=-1)
    radii = radius * np.arange(STRIDES + 1) / STRIDES
    # Shape (radii, headings, instants, axes).
    places = np.array(neutral) + (
        radii[:, None, None, None] * heading[:, None, :] + UP * rise[:, None]
    )
    velocities = np.broadcast_to(UP * rise_rate[:, None], places.shape)
    rates = joint_rates(leg, places.reshape(-1, 3), velocities.reshape(-1, 3), offset)
    efforts = np.abs(rates) / np.array(speeds)
    effort = efforts.reshape(STRIDES + 1, -1).max(axis=-1)
    return radius if effort.max() <= 1.0 else _crossing(radii, effort)


def minimum_jerk_law(u: Array) -> tuple[Array, Array]:
    """Share of a way from rest to rest, and its rate, at shares of the time (as `minimum_jerk`)."""
    return u**3 * (10.0 - 15.0 * u + 6.0 * u**2), 30.0 * (u * (1.0 - u)) ** 2


def _rise(u: Array, lift: float, swing_time: float) -> tuple[Array, Array]:
    """Elevation of a swing over level ground at shares of it, m, and its rate, m/s.

    As `Swing.elevation` has it.
    """
    rise = 64.0 * lift * (u * (1.0 - u)) ** 3
    return rise, 192.0 * lift * (u * (1.0 - u)) ** 2 * (1.0 - 2.0 * u) / swing_time


def _crossing(half_strides: Array, effort: Array) -> float:
    """Half a stride at which the effort, a convex function of it, comes to 1 at the latest."""
    if effort[0] >= 1.0:
        return 0.0
    beyond = int(np.argmax(effort > 1.0))
    if beyond == 0:
        return float(half_strides[-1] / effort[-1])
    low, high = effort[beyond - 1], effort[beyond]
    share = (1.0 - low) / (high - low) if np.isfinite(high) else 0.0
    return float(
        half_strides[beyond - 1] + share * (half_strides[beyond] - half_strides[beyond - 1])
    )


# Out of reach every number is as good as another: it becomes infinite.
@np.errstate(all='ignore')
def joint_rates(leg: LegSolver, places: Array, velocities: Array, offset: Offset) -> Array:
    """Speeds of coxa, femur and tibia of a foot at places of the level body.

    Parameters
    ----------
    leg
        Its solver.
    places, velocities
        Of the foot, m and m/s, shape (n, 3).
    offset
        Of the body from its level pose, at rest.

    Returns
    -------
    ndarray
        rad/s, shape (n, 3), infinite where the leg cannot go.

    """
    turn = np.array(offset.rotation)
    feet = (places - np.array(offset.shift)) @ turn
    x, y, z = ((velocities @ turn) @ np.array(leg.mount.rotation)).T
    solution = solve_batch(leg, feet)
    q1, q2, q3 = solution.angles.T
    geometry = leg.geometry
    rho = geometry.coxa + geometry.femur * np.cos(q2) + geometry.tibia * np.cos(q2 + q3)
    radial = np.cos(q1) * x + np.sin(q1) * y
    femur = (radial * np.cos(q2 + q3) + z * np.sin(q2 + q3)) / (geometry.femur * np.sin(q3))
    knee = -(radial * np.cos(q2) + z * np.sin(q2)) / (geometry.tibia * np.sin(q3))
    rates = np.stack(((np.cos(q1) * y - np.sin(q1) * x) / rho, femur, knee - femur), axis=-1)
    rates[~solution.reached | ~np.isfinite(rates).all(axis=-1)] = np.inf
    return rates


def fastest_towards(stances: Sequence[float], velocity: Point) -> float:
    """Highest speed in the direction of a velocity, from `fastest_stances`, m/s."""
    place = atan2(velocity[1], velocity[0]) * HEADINGS / tau
    low = int(place // 1.0)
    share = place - low
    return (1.0 - share) * stances[low % HEADINGS] + share * stances[(low + 1) % HEADINGS]
