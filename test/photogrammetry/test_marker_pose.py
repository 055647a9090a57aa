# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How a marker stands, by one view and by more, against OpenCV's own projection and solver."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from leg_kinematics.photogrammetry.layout import marker_places
from leg_kinematics.photogrammetry.marker_pose import View, standings
from leg_kinematics.photogrammetry.rigid import Pose

Floats = NDArray[np.float64]

MATRIX = np.array([[3000.0, 0.0, 2015.5], [0.0, 3000.0, 1511.5], [0.0, 0.0, 1.0]])
LENS = np.array([3000.0, 2015.5, 1511.5, 0.0, 0.0, 0.0, 0.0, 0.0])

#: A marker of 15 mm before the first camera, whose frame is the ground's here.
TURN, SHIFT = np.array([2.8, 0.3, -0.2]), np.array([0.030, -0.020, 0.600])
CORNERS = np.pad(marker_places(), ((0, 0), (0, 1)))
HERE = Pose(np.eye(3), np.zeros(3))


def seen_from(camera: Pose) -> View:
    """Project the marker by OpenCV."""
    pose = camera @ Pose.of(TURN, SHIFT)
    vector = Rotation.from_matrix(pose.turn).as_rotvec()
    pixels, _ = cv2.projectPoints(CORNERS, vector, pose.shift, MATRIX, np.zeros(5))
    return View(camera, LENS, np.reshape(pixels, (4, 2)).astype(float))


def test_one_view_has_two_solutions() -> None:
    """OpenCV's `SOLVEPNP_IPPE_SQUARE` has the same two; the second is worse by 0.232 px only."""
    view = seen_from(HERE)
    first, second = standings([view], 1.0)
    _, vectors, shifts, errors = cv2.solvePnPGeneric(
        CORNERS, view.pixels.reshape(4, 1, 2), MATRIX, np.zeros(5), flags=cv2.SOLVEPNP_IPPE_SQUARE
    )
    # OpenCV gives the root of the mean square of coordinates.
    assert np.ravel(np.asarray(errors)) == pytest.approx([0.0, 0.232], abs=2e-3)
    for found, vector, shift in zip((first, second), vectors, shifts, strict=True):
        other = Pose.of(np.asarray(vector), np.asarray(shift))
        # The second is fitted to the corners here, which moves it a little.
        assert found.pose.turned_from(other) < 0.05
        assert found.pose.shift == pytest.approx(other.shift, abs=2e-3)
    assert np.sqrt(second.squares / 8.0) == pytest.approx(0.23, abs=0.01)


def test_a_second_view_chooses() -> None:
    """Whichever view comes first, the marker stands as it was put; the other way is far worse."""
    aside = Pose.of(np.array([0.0, 0.5, 0.0]), np.array([-0.28, 0.0, 0.08]))
    for cameras in ((HERE, aside), (aside, HERE)):
        first, *others = standings([seen_from(camera) for camera in cameras], 1.0)
        assert first.pose.turned_from(Pose.of(TURN, SHIFT)) < 1e-6
        assert first.pose.shift == pytest.approx(SHIFT, abs=1e-8)
        assert all(other.squares > 100.0 for other in others)
