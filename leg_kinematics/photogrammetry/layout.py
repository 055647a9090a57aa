# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What is printed for photographs: sheets of markers for the floor, and a marker for each foot.

A sheet is a chessboard with a tag in each white square, so that every inner corner that is seen is
known by its number, even where feet hide others. Its frame has the origin in the middle of the
board, x along the long side, y up the page and z out of the paper. A foot marker is a square; its
corners are numbered clockwise from the upper left one, as printed.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Squares of a board, along and up the page.
COLUMNS: Final = 9
ROWS: Final = 6

#: Side of a square, m.
SQUARE: Final = 0.028

#: Side of the tag in a white square, its black border included, m.
TAG: Final = 0.021

#: Tags of a sheet: one in every other square.
TAGS: Final = COLUMNS * ROWS // 2

#: Inner corners of a board.
CORNERS: Final = (COLUMNS - 1) * (ROWS - 1)

#: There are 587 different tags; nobody lays out more sheets than this.
MOST_SHEETS: Final = 12

#: Side of the marker of a foot, its black border included, m.
FOOT_MARKER: Final = 0.015

#: Modules along a side of that: four and its black border.
FOOT_MODULES: Final = 6

#: There are 50 different markers for feet.
MOST_FEET: Final = 50

#: Of the bar on each page, m.
BAR: Final = 0.250


def corner_places() -> Floats:
    """Return where the inner corners of a board are in its frame, m, shape (CORNERS, 2).

    Their numbers run along the rows, from the upper left corner of the page.
    """
    column, row = np.meshgrid(np.arange(1, COLUMNS), np.arange(1, ROWS))
    places = np.stack([column - COLUMNS / 2, ROWS / 2 - row], axis=-1) * SQUARE
    return places.reshape(CORNERS, 2)


def marker_places() -> Floats:
    """Return where the corners of a foot marker are from its middle, m, shape (4, 2)."""
    half = FOOT_MARKER / 2
    return np.array([[-half, half], [half, half], [half, -half], [-half, -half]])
