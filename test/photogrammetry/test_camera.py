# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The lens against OpenCV's, and its derivatives against differences."""

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from leg_kinematics.photogrammetry.camera import LENS, derivatives, project

Floats = NDArray[np.float64]

LENS_VALUES = np.array([3000.0, 2015.0, 1511.0, 0.1, -0.2, 0.05, 0.001, -0.002])


def points_ahead() -> tuple[Floats, Floats]:
    """Draw points before the camera, and repeat the lens for each."""
    rng = np.random.default_rng(1)
    points = np.column_stack([rng.uniform(-0.3, 0.3, (20, 2)), rng.uniform(0.4, 0.8, 20)])
    return points, np.tile(LENS_VALUES, (20, 1))


def test_pixels_are_those_of_opencv() -> None:
    """`cv2.projectPoints` with the same lens, which takes p1 and p2 before k3."""
    points, lenses = points_ahead()
    focal, u, v, k1, k2, k3, p1, p2 = LENS_VALUES
    matrix = np.array([[focal, 0.0, u], [0.0, focal, v], [0.0, 0.0, 1.0]])
    still = np.zeros(3)
    expected, _ = cv2.projectPoints(points, still, still, matrix, np.array([k1, k2, p1, p2, k3]))
    assert project(points, lenses) == pytest.approx(np.reshape(expected, (-1, 2)), abs=1e-9)


def test_derivatives_are_differences() -> None:
    """Central differences of the projection."""
    points, lenses = points_ahead()
    by_point, by_lens = derivatives(points, lenses)
    for axis, step in enumerate(1e-6 * np.eye(3)):
        moved = project(points + step, lenses) - project(points - step, lenses)
        assert by_point[:, :, axis] == pytest.approx(moved / 2e-6, rel=1e-6, abs=1e-4)
    for value, step in enumerate(1e-6 * np.eye(LENS)):
        moved = project(points, lenses + step) - project(points, lenses - step)
        assert by_lens[:, :, value] == pytest.approx(moved / 2e-6, rel=1e-6, abs=1e-4)
