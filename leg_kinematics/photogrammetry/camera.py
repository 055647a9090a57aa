# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The lens: from a point before the camera to a pixel, and how the pixel moves with each unknown.

The model is the usual one of a lens with radial and tangential distortion (D. C. Brown, Decentering
distortion of lenses, Photogrammetric Engineering 32, 1966; from memory), with square pixels, in the
order and with the signs of OpenCV's documentation of `projectPoints`.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Unknowns of a lens: focal length and middle of the picture in pixels, then k1, k2, k3, p1, p2.
LENS: Final = 8


def project(points: Floats, lenses: Floats) -> Floats:
    """Return the pixels of points in the frame of the camera (z ahead, y down).

    Parameters
    ----------
    points
        m, shape (n, 3), with z > 0.
    lenses
        Of each point, shape (n, LENS).

    Returns
    -------
    ndarray
        Shape (n, 2).

    """
    x, y = points[:, 0] / points[:, 2], points[:, 1] / points[:, 2]
    focal, middle = lenses[:, :1], lenses[:, 1:3]
    return focal * _distorted(x, y, lenses[:, 3:]) + middle


def derivatives(points: Floats, lenses: Floats) -> tuple[Floats, Floats]:
    """Return how pixels move with points and lenses, shapes (n, 2, 3) and (n, 2, LENS)."""
    z = points[:, 2]
    x, y = points[:, 0] / z, points[:, 1] / z
    focal = lenses[:, 0]
    k1, k2, k3, p1, p2 = lenses[:, 3:].T
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * r2 * k3))
    # Of the distorted by the undistorted coordinates.
    xx = radial + x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x
    xy = x * y * slope + 2.0 * p1 * x + 2.0 * p2 * y
    yy = radial + y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x
    by_point = np.empty((len(points), 2, 3))
    by_point[:, 0, 0] = xx
    by_point[:, 0, 1] = xy
    by_point[:, 0, 2] = -(xx * x + xy * y)
    by_point[:, 1, 0] = xy
    by_point[:, 1, 1] = yy
    by_point[:, 1, 2] = -(xy * x + yy * y)
    by_point *= (focal / z)[:, None, None]
    by_lens = np.zeros((len(points), 2, LENS))
    by_lens[:, :, 0] = _distorted(x, y, lenses[:, 3:])
    by_lens[:, 0, 1] = by_lens[:, 1, 2] = 1.0
    powers = np.stack([r2, r2 * r2, r2 * r2 * r2], axis=-1)
    by_lens[:, 0, 3:6] = (focal * x)[:, None] * powers
    by_lens[:, 1, 3:6] = (focal * y)[:, None] * powers
    by_lens[:, 0, 6] = by_lens[:, 1, 7] = focal * 2.0 * x * y
    by_lens[:, 0, 7] = focal * (r2 + 2.0 * x * x)
    by_lens[:, 1, 6] = focal * (r2 + 2.0 * y * y)
    return by_point, by_lens


def _distorted(x: Floats, y: Floats, distortion: Floats) -> Floats:
    """Return the distorted coordinates, shape (n, 2)."""
    k1, k2, k3, p1, p2 = distortion.T
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return np.stack(
        [
            x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x),
            y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y,
        ],
        axis=-1,
    )
