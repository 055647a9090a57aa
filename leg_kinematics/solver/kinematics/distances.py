# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How far segments are from each other and from a box: capsules without their radii."""

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.robot import Vector

Floats = NDArray[np.float64]

#: Steps of a bisection, after which its interval is that of rounding.
BISECTIONS = 52


def segment_distances(start: Floats, end: Floats, other_start: Floats, other_end: Floats) -> Floats:
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
    distances: Floats = np.sqrt((apart * apart).sum(-1))
    return distances


def box_distances(start: Floats, end: Floats, size: Vector) -> Floats:
    """Distances of segments from a box around the origin, m, shape (n,); zero where they meet.

    The squared distance of a point from a box is convex, and so is it along a segment; where its
    slope is zero, it is least.
    """
    half, way = 0.5 * np.array(size), end - start

    def outside(share: Floats) -> Floats:
        place = start + share[:, np.newaxis] * way
        return place - np.clip(place, -half, half)

    low, high = np.zeros(len(start)), np.ones(len(start))
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        rising = (outside(middle) * way).sum(-1) > 0.0
        low, high = np.where(rising, low, middle), np.where(rising, middle, high)
    distances: Floats = np.sqrt((outside(high) ** 2).sum(-1))
    return distances
