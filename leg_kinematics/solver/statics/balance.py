# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Does it stand: centre of mass, support polygon, static margin."""

from collections.abc import Sequence
from math import cos, hypot, inf, sin

from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver.kinematics.leg_solver import LegSolver

Point = tuple[float, float]

TRIANGLE = 3


def centre_of_mass(robot: Robot, legs: Sequence[LegSolver], angles: Sequence[Vector]) -> Vector:
    """Centre of mass of the whole robot in `base_link`, m.

    Parameters
    ----------
    robot
        The description, whose links carry their mass at a distance along their length.
    legs
        Its solvers.
    angles
        Coxa, femur, tibia of each leg, rad.

    """
    total = robot.body.mass
    moment = [total * coordinate for coordinate in robot.body.centre_of_mass]
    for leg, solver, (q1, q2, q3) in zip(robot.legs, legs, angles, strict=True):
        femur, tibia = leg.femur, leg.tibia
        knee_r = leg.coxa.length + femur.length * cos(q2)
        reaches = (
            (leg.coxa.centre_of_mass, 0.0),
            (
                leg.coxa.length + femur.centre_of_mass * cos(q2),
                femur.centre_of_mass * sin(q2),
            ),
            (
                knee_r + tibia.centre_of_mass * cos(q2 + q3),
                femur.length * sin(q2) + tibia.centre_of_mass * sin(q2 + q3),
            ),
        )
        for link, (r, z) in zip(leg.links, reaches, strict=True):
            point = solver.mount.to_body((r * cos(q1), r * sin(q1), z))
            total += link.mass
            for axis in range(3):
                moment[axis] += link.mass * point[axis]
    x, y, z = (value / total for value in moment)
    return (x, y, z)


def support_polygon(feet: Sequence[Point]) -> tuple[Point, ...]:
    """Convex hull of the feet that stand, counter-clockwise, m (Andrew's monotone chain)."""
    points = sorted(set(feet))
    if len(points) < TRIANGLE:
        return tuple(points)
    return tuple(_chain(points)[:-1] + _chain(points[::-1])[:-1])


def _chain(points: Sequence[Point]) -> list[Point]:
    chain: list[Point] = []
    for point in points:
        while len(chain) > 1 and _cross(chain[-2], chain[-1], point) <= 0.0:
            chain.pop()
        chain.append(point)
    return chain


def _cross(a: Point, b: Point, c: Point) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def static_margin(feet: Sequence[Point], point: Point) -> float:
    """Shortest distance from a point to the edge of the support polygon.

    Parameters
    ----------
    feet
        The feet that stand, projected on the ground, m.
    point
        The centre of mass projected on the ground, m.

    Returns
    -------
    float
        m, positive inside, negative outside; minus infinity when no foot stands. With fewer
        than three feet nothing is inside: the value is never above zero.

    """
    polygon = support_polygon(feet)
    if not polygon:
        return -inf
    inside = len(polygon) >= TRIANGLE
    distance = inf
    x, y = polygon[-1]
    for end in polygon:
        # Along the edge, and from its start to the point.
        dx, dy = end[0] - x, end[1] - y
        px, py = point[0] - x, point[1] - y
        square = dx * dx + dy * dy
        along = min(1.0, max(0.0, (px * dx + py * dy) / square)) if square > 0.0 else 0.0
        distance = min(distance, hypot(px - along * dx, py - along * dy))
        inside = inside and dx * py - dy * px >= 0.0
        x, y = end
    return distance if inside else -distance
