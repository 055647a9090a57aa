# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What one photograph shows, as values."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SheetSeen:
    """Corners of one sheet.

    Attributes
    ----------
    sheet
        Its number, from 1.
    corners
        Their numbers; see `layout`.
    pixels
        Shape (n, 2).

    """

    sheet: int
    corners: NDArray[np.intp]
    pixels: Floats


@dataclass(frozen=True)
class MarkerSeen:
    """The marker of a foot.

    Attributes
    ----------
    leg
        Name of the leg.
    pixels
        Of its corners, shape (4, 2); see `layout`.

    """

    leg: str
    pixels: Floats

    @property
    def side(self) -> float:
        """Return the length of its longest side in the picture, px."""
        return float(np.hypot(*(self.pixels - np.roll(self.pixels, 1, axis=0)).T).max())


@dataclass(frozen=True)
class Look:
    """What one photograph shows.

    Attributes
    ----------
    file
        Its name.
    size
        Width and height as the sensor has them, px.
    sheets
        Those of which corners were found.
    markers
        Those of feet that were found.
    blur
        How wide its edges are, as the standard deviation of a Gaussian, px; nan without any.
    light
        What is wrong with the exposure, if anything.

    """

    file: str
    size: tuple[int, int]
    sheets: tuple[SheetSeen, ...]
    markers: tuple[MarkerSeen, ...]
    blur: float = float('nan')
    light: Literal['', 'dark', 'bright'] = ''

    @property
    def corners(self) -> int:
        """How many corners of sheets were found."""
        return sum(len(each.corners) for each in self.sheets)
