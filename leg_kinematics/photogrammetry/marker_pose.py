# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How a foot marker stands, by all photographs that show it, when the cameras are known.

Of a small square each view has two solutions, which differ by a tilt to the other side (T. Collins
and A. Bartoli, Infinitesimal plane-based pose estimation, 2014; OpenCV's documentation of
`SOLVEPNP_IPPE_SQUARE`). Each of both is carried to the ground's frame and fitted to all views.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from leg_kinematics.photogrammetry.camera import derivatives, project
from leg_kinematics.photogrammetry.layout import FOOT_MARKER, marker_places
from leg_kinematics.photogrammetry.rigid import Pose

Floats = NDArray[np.float64]

#: Steps of a fit; they shrink tenfold and more each time.
STEPS = 10

#: Solutions whose attitudes differ by less are one, rad.
SAME = 0.06


@dataclass(frozen=True)
class View:
    """One photograph of a marker.

    Attributes
    ----------
    camera
        From the ground's frame to the camera.
    lens
        Shape (LENS,).
    pixels
        Of the corners, shape (4, 2).

    """

    camera: Pose
    lens: Floats
    pixels: Floats


@dataclass(frozen=True)
class Standing:
    """One way in which a marker may stand.

    Attributes
    ----------
    pose
        From its frame to the ground's.
    squares
        What is left over in all views, px².

    """

    pose: Pose
    squares: float


def standings(views: Sequence[View], scale: float) -> tuple[Standing, ...]:
    """Return the ways in which a marker may stand, the best first.

    Parameters
    ----------
    views
        At least one.
    scale
        How much larger the marker is than described.

    """
    corners = np.pad(marker_places() * scale, ((0, 0), (0, 1)))
    found = sorted(
        (_fitted(start, views, corners) for view in views for start in _solutions(view, scale)),
        key=lambda each: each.squares,
    )
    ways: list[Standing] = []
    for each in found:
        if all(each.pose.turned_from(other.pose) > SAME for other in ways):
            ways.append(each)
    return tuple(ways)


def _solutions(view: View, scale: float) -> list[Pose]:
    """Return both solutions of one view, in the ground's frame."""
    focal, u, v, k1, k2, k3, p1, p2 = view.lens
    matrix = np.array([[focal, 0.0, u], [0.0, focal, v], [0.0, 0.0, 1.0]])
    half = scale * FOOT_MARKER / 2
    square = np.array([[-half, half, 0], [half, half, 0], [half, -half, 0], [-half, -half, 0]])
    _, vectors, shifts, _ = cv2.solvePnPGeneric(
        square,
        view.pixels.reshape(4, 1, 2),
        matrix,
        np.array([k1, k2, p1, p2, k3]),
        flags=cv2.SOLVEPNP_IPPE_SQUARE,
    )
    to_ground = view.camera.inverse()
    return [
        to_ground @ Pose.of(np.asarray(vector), np.asarray(shift))
        for vector, shift in zip(vectors, shifts, strict=True)
    ]


def _fitted(start: Pose, views: Sequence[View], corners: Floats) -> Standing:
    """Fit a standing to all views, by the steps of Gauss and Newton."""
    turns = np.repeat([view.camera.turn for view in views], 4, axis=0)
    shifts = np.repeat([view.camera.shift for view in views], 4, axis=0)
    lenses = np.repeat([view.lens for view in views], 4, axis=0)
    pixels = np.concatenate([view.pixels for view in views])
    pose = start
    squares = np.inf
    for _ in range(STEPS):
        arms = np.tile(corners @ pose.turn.T, (len(views), 1))
        points = np.einsum('nij,nj->ni', turns, arms + pose.shift) + shifts
        if np.any(points[:, 2] <= 0.0):
            return Standing(start, np.inf)
        residuals = pixels - project(points, lenses)
        by_point = np.einsum('nij,njk->nik', derivatives(points, lenses)[0], turns)
        by_turn = np.cross(arms[:, None, :], by_point)
        jacobian = np.concatenate([by_turn, by_point], axis=2).reshape(-1, 6)
        now = float((residuals**2).sum())
        if now > squares * (1.0 - 1e-9):
            break
        squares = now
        step = np.linalg.lstsq(jacobian, residuals.ravel(), rcond=None)[0]
        turn = Rotation.from_rotvec(step[:3]).as_matrix() @ pose.turn
        pose, start = Pose(turn, pose.shift + step[3:]), pose
    return Standing(start, squares)
