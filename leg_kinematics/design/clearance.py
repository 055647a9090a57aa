# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Clearance: how close the legs come to each other."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.design.finding import Bounds, Finding
from leg_kinematics.design.steady_walk import SteadyWalk
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegGeometry, LegSolver, forward_batch

Array = NDArray[np.float64]

#: Cables, screws and the play of the joints stand out of the capsules (our own rule of thumb).
CLEARANCE = Bounds(good=0.010, bound=0.002)

#: Every so many-th instant of a cycle is compared.
STRIDE = 2


def clearance_finding(
    robot: Robot, legs: Sequence[LegSolver], walks: Sequence[SteadyWalk]
) -> Finding:
    """Least distance between the capsules of two legs over the cycles of walks.

    Every instant of one leg is held against every instant of the other: while the velocity
    changes, the legs do not keep the phases of a steady walk.
    """
    found = []
    for walk in walks:
        points = [
            joint_points(solver, walk.angles[::STRIDE, leg]) for leg, solver in enumerate(legs)
        ]
        for one, other in combinations(range(len(legs)), 2):
            for i, link in enumerate(robot.legs[one].links):
                for j, against in enumerate(robot.legs[other].links):
                    gaps = segment_distances(
                        points[one][:, np.newaxis, i],
                        points[one][:, np.newaxis, i + 1],
                        points[other][np.newaxis, :, j],
                        points[other][np.newaxis, :, j + 1],
                    )
                    names = (robot.legs[one].joints[i], robot.legs[other].joints[j])
                    gap = float(gaps.min()) - link.radius - against.radius
                    found.append((gap, f'{names[0]} and {names[1]}, {walk.heading}'))
    value, detail = min(found)
    return Finding(
        'clearance',
        'two legs',
        value,
        'm',
        CLEARANCE,
        detail=detail,
        remedy='mounts farther apart, other directions of the legs, slimmer links, tighter coxa '
        'limits, feet farther apart',
    )


def joint_points(leg: LegSolver, angles: Array) -> Array:
    """Coxa axis, femur axis, knee and foot in `base_link`, m, shape (n, 4, 3)."""
    whole = leg.geometry
    lengths = (
        (0.0, 0.0, 0.0),
        (whole.coxa, 0.0, 0.0),
        (whole.coxa, whole.femur, 0.0),
        (whole.coxa, whole.femur, whole.tibia),
    )
    angles = np.ascontiguousarray(angles)
    local = np.stack([forward_batch(LegGeometry(*each), angles) for each in lengths], axis=1)
    placed: Array = local @ np.array(leg.mount.rotation).T + leg.mount.position
    return placed


def segment_distances(start: Array, end: Array, other_start: Array, other_end: Array) -> Array:
    """Distances between pairs of segments, m, whose shapes (…, 3) broadcast.

    Closest points of two segments: Ericson, Real-Time Collision Detection, 2005, section 5.1.9
    (from memory; confirmed against a search in the tests). No segment may be a point.
    """
    way, other_way, between = end - start, other_end - other_start, start - other_start
    a, e = (way * way).sum(-1), (other_way * other_way).sum(-1)
    b, c, f = (way * other_way).sum(-1), (way * between).sum(-1), (other_way * between).sum(-1)
    spread = a * e - b * b
    parallel = spread <= 1e-12 * a * e
    s = np.where(parallel, 0.0, (b * f - c * e) / np.where(parallel, 1.0, spread))
    t = np.clip((b * np.clip(s, 0.0, 1.0) + f) / e, 0.0, 1.0)
    s = np.clip((b * t - c) / a, 0.0, 1.0)
    apart = between + s[..., np.newaxis] * way - t[..., np.newaxis] * other_way
    distances: Array = np.sqrt((apart * apart).sum(-1))
    return distances
