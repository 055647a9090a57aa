# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Printed pages, rasterised by PDFium and measured on the picture."""

from pathlib import Path

import numpy as np
import pypdfium2
from numpy.typing import NDArray

DPI = 600
PIXELS_PER_MM = DPI / 25.4

#: What the sheets promise, mm.
EXACT = 0.1

#: Darker than half, from black at 0 to white at 255.
DARK = 128


class Paper:
    """A page as ink on paper, measured in mm from its lower left corner."""

    def __init__(self, file: Path, page: int) -> None:
        """Rasterise a page, counted from 0."""
        with pypdfium2.PdfDocument(file) as pdf:
            picture = pdf[page].render(scale=DPI / 72, grayscale=True)
            self._grey: NDArray[np.uint8] = picture.to_numpy().copy()

    @property
    def size(self) -> tuple[float, float]:
        """Width and height."""
        height, width = self._grey.shape
        return (width / PIXELS_PER_MM, height / PIXELS_PER_MM)

    def dark(
        self, x: NDArray[np.float64], y: NDArray[np.float64], below: int = DARK
    ) -> NDArray[np.bool_]:
        """Tell where there is ink."""
        height = self._grey.shape[0]
        column = (x * PIXELS_PER_MM).astype(int)
        row = (height - y * PIXELS_PER_MM).astype(int)
        ink: NDArray[np.bool_] = self._grey[row, column] < below
        return ink

    def across(self, y: float, x: NDArray[np.float64], below: int = DARK) -> list[float]:
        """Say where lines are crossed on the way from left to right at a height."""
        return lines_crossed(self.dark(x, np.full_like(x, y), below), x)

    def up(self, x: float, y: NDArray[np.float64], below: int = DARK) -> list[float]:
        """Say where lines are crossed on the way upwards."""
        return lines_crossed(self.dark(np.full_like(y, x), y, below), y)


def lines_crossed(dark: NDArray[np.bool_], way: NDArray[np.float64]) -> list[float]:
    """Middles of the runs of ink along a way."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], dark, [False]]).astype(int)))
    return [float(0.5 * (way[a] + way[b - 1])) for a, b in edges.reshape(-1, 2)]


def words(file: Path, page: int) -> str:
    """Text of a page, in one line."""
    with pypdfium2.PdfDocument(file) as pdf:
        return ' '.join(pdf[page].get_textpage().get_text_range().split())
