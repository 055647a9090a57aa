# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The two families of markers, which OpenCV knows by heart.

Floor sheets have tags of the family AprilTag 36h11 and foot markers those of 4X4_50, so that
neither can be taken for the other. The first sheet has the tags from 0, the next one goes on from
there.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from leg_kinematics.photogrammetry.layout import COLUMNS, ROWS, SQUARE, TAG, TAGS

FLOOR = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
FOOT = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)


def board(sheet: int) -> cv2.aruco.CharucoBoard:
    """Return a sheet, by its number from 1, as OpenCV knows it: y down the page."""
    return cv2.aruco.CharucoBoard((COLUMNS, ROWS), SQUARE, TAG, FLOOR, tags(sheet))


def tags(sheet: int) -> NDArray[np.int32]:
    """Return which tags a sheet has, by its number from 1."""
    return np.arange((sheet - 1) * TAGS, sheet * TAGS, dtype=np.int32)


def sheet_of(tag: int) -> int:
    """Return the number of the sheet that has a tag."""
    return tag // TAGS + 1


def modules(dictionary: cv2.aruco.Dictionary, number: int) -> NDArray[np.bool_]:
    """Return which modules of a marker are white, row by row, with those of its black border."""
    side = dictionary.markerSize + 2
    drawn = cv2.aruco.generateImageMarker(dictionary, number, side)
    return np.asarray(drawn) > 0
