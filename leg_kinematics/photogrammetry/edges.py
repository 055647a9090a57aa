# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The corners of a foot marker as the crossings of its edges.

A corner itself is rounded by blur and lies inwards then; an edge stays where it is. Each side is
looked at along many short ways across it: the middle of the rise from black to white, which is the
centre of mass of the slope, is on the edge. A line through those, and the crossings of such lines,
give the corners.
"""

from math import ceil
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from leg_kinematics.photogrammetry.layout import FOOT_MODULES

Floats = NDArray[np.float64]

#: Ways across each side, and the part of the side on which they are: near corners the other side
#: shines in.
WAYS, PART = 24, (0.12, 0.88)

#: How far a way goes to both sides, in modules of the marker: black and white are wider than that.
REACH: Final = 0.7

#: A shorter way holds no edge that a little blur has widened, px.
LEAST_REACH = 1.3

#: Steps of a way, px.
STEP = 0.5

#: A rise of less than this part of the usual one is not the edge but what covers it.
LEAST_RISE = 0.5

#: Of the ways, so many must show an edge.
LEAST_WAYS = 0.6

#: Points farther from their line than so many times the median are left out.
FAR = 3.5


def crossings(picture: NDArray[np.uint8], quad: Floats) -> Floats | None:
    """Return the corners of a marker.

    Parameters
    ----------
    picture
        Grey.
    quad
        Where its corners are, nearly, shape (4, 2), clockwise in a picture with y down.

    Returns
    -------
    ndarray or None
        Shape (4, 2); None where an edge is not whole.

    """
    corners = quad
    # The second time the ways lie even to both sides of the edge.
    for _ in range(2):
        area = _area(corners)
        lines = [_line(picture, corners[side], corners[(side + 1) % 4], area) for side in range(4)]
        found = []
        for side in range(4):
            before, after = lines[side - 1], lines[side]
            if before is None or after is None:
                return None
            # Both hold n . x = d.
            normals = np.array([before[:2], after[:2]])
            found.append(np.linalg.solve(normals, np.array([before[2], after[2]])))
        corners = np.array(found)
    return corners


def _area(quad: Floats) -> float:
    """Return the area of a polygon (the shoelace formula), px²."""
    x, y = quad.T
    return 0.5 * abs(float(np.sum(x * np.roll(y, 1) - y * np.roll(x, 1))))


def _line(picture: NDArray[np.uint8], start: Floats, end: Floats, area: float) -> Floats | None:
    """Return the line of a side as (n, d), where n . x = d and n points outwards."""
    along = end - start
    length = float(np.hypot(*along))
    along = along / length
    outwards = np.array([along[1], -along[0]])
    # A module is as wide across this side as the marker is high above it, in parts.
    reach = REACH * area / length / FOOT_MODULES
    if reach < LEAST_REACH:
        return None
    steps = np.linspace(-reach, reach, 2 * ceil(reach / STEP) + 1)
    places = np.linspace(*PART, WAYS) * length
    points = start + places[:, None, None] * along + steps[None, :, None] * outwards
    grey = map_coordinates(
        picture, [points[..., 1], points[..., 0]], output=float, order=1, mode='nearest'
    )
    slope = np.maximum(np.diff(grey, axis=1), 0.0)
    rise = slope.sum(axis=1)
    whole = rise > LEAST_RISE * np.median(rise)
    if whole.sum() < LEAST_WAYS * WAYS or not np.median(rise) > 0.0:
        return None
    between = 0.5 * (steps[:-1] + steps[1:])
    middles = (slope[whole] * between).sum(axis=1) / rise[whole]
    edge = start + places[whole, None] * along + middles[:, None] * outwards
    middle, normal = _through(edge)
    off = np.abs((edge - middle) @ normal)
    middle, normal = _through(edge[off <= max(FAR * float(np.median(off)), 0.05)])
    normal = normal if normal @ outwards > 0.0 else -normal
    return np.array([*normal, float(normal @ middle)])


def _through(points: Floats) -> tuple[Floats, Floats]:
    """Return a point of the line through points, and a direction across it."""
    middle = points.mean(axis=0)
    return middle, np.linalg.svd(points - middle)[2][1]
