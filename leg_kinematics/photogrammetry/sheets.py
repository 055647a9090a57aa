# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Pages of markers to be printed: sheets for the floor, and the markers of the feet.

A page is A4 lying on its long side, drawn in millimetres of paper from its lower left corner; all
that matters on it fits on US letter as well.
"""

from collections.abc import Sequence
from pathlib import Path
from textwrap import fill

import cv2
from matplotlib.axes import Axes
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path as MatplotlibPath

from leg_kinematics.errors import CommandError
from leg_kinematics.photogrammetry.dictionaries import FLOOR, FOOT, board, modules, tags
from leg_kinematics.photogrammetry.layout import (
    BAR,
    COLUMNS,
    FOOT_MARKER,
    MOST_FEET,
    MOST_SHEETS,
    ROWS,
    SQUARE,
    TAG,
)
from leg_kinematics.robot import Robot

INCH = 25.4
POINTS_PER_MM = 72.0 / INCH

#: Of a page, mm (ISO 216, A4).
WIDTH, HEIGHT = 297.0, 210.0

#: Lower left corner of the board, mm.
BOARD = (22.5, 30.0)

#: Left end of the bar, mm.
BAR_START = (23.5, 21.0)

#: Of lines, mm.
LINE = 0.2

#: Foot markers of a page, across and up, the width of the place of each, and the square to be cut
#: out, mm.
ACROSS, UP, PLACE, CUT = 6, 4, 40.0, 20.0

#: Each foot has so many, since one is soon lost.
COPIES = 2

BAR_WORDS = (
    'Print at 100 %, without fitting to the page. Measure the bar from the middle of one end mark '
    'to the middle of the other, as exactly as you can, and type the length: it should be 250 mm, '
    'and need not be.'
)

FLOOR_WORDS = (
    'Lay it flat on the floor near the feet, beside the other sheets, and tape down its corners. '
    'It stays where it is until the last photograph.'
)

FOOT_WORDS = (
    'Cut out along the dashed lines, so that the marker keeps its white edge, and glue it on stiff '
    'card. Fasten it to its foot so that it cannot shift, its middle at the tip if you can, and so '
    'that it looks straight up in the resting posture.'
)


def write_sheets(robot: Robot, file: Path, sheets: int = 4) -> int:
    """Write the pages of markers of a robot as a PDF, true to scale.

    Parameters
    ----------
    robot
        Each of its legs gets a marker, in the order of the description.
    file
        Where to.
    sheets
        For the floor, from 1 to `MOST_SHEETS`.

    Returns
    -------
    int
        How many pages there are.

    Raises
    ------
    CommandError
        There are too many sheets or legs, or the file cannot be written.

    """
    if not 1 <= sheets <= MOST_SHEETS:
        raise CommandError(f'there can be 1 to {MOST_SHEETS} sheets of markers (got {sheets})')
    if len(robot.legs) > MOST_FEET:
        raise CommandError(
            f'{robot.name} has {len(robot.legs)} legs, and there are markers for {MOST_FEET}'
        )
    markers = [(number, leg.name) for number, leg in enumerate(robot.legs) for _ in range(COPIES)]
    full = ACROSS * UP
    pages = [_floor_page(robot.name, number) for number in range(1, sheets + 1)]
    pages += [
        _foot_page(robot.name, markers[first : first + full])
        for first in range(0, len(markers), full)
    ]
    try:
        with PdfPages(file, metadata={'Title': f'{robot.name}: markers'}) as pdf:
            for page in pages:
                # Never cut to what is drawn: the page would no longer be true to scale.
                pdf.savefig(page)
    except OSError as error:
        raise CommandError(f'{file} cannot be written: {error.strerror or error}') from error
    return len(pages)


def _floor_page(name: str, sheet: int) -> Figure:
    figure, axes = _page()
    side, tag = 1e3 * SQUARE, 1e3 * TAG
    left, bottom = BOARD
    black = [
        (left + side * column, bottom + side * (ROWS - 1 - row))
        for row in range(ROWS)
        for column in range(row % 2, COLUMNS, 2)
    ]
    _draw_squares(axes, black, side)
    for number, corners in zip(tags(sheet), board(sheet).getObjPoints(), strict=True):
        # OpenCV tells the upper left corner first, down from the upper edge of the board.
        x, down = (1e3 * float(value) for value in corners[0][:2])
        _draw_marker(axes, FLOOR, int(number), (left + x, bottom + side * ROWS - down), tag)
    _draw_bar(axes, FLOOR_WORDS)
    _write(axes, (left, 203.5), f'{name}: floor sheet {sheet}', 10, weight='bold')
    return figure


def _foot_page(name: str, markers: list[tuple[int, str]]) -> Figure:
    figure, axes = _page()
    for place, (number, leg) in enumerate(markers):
        row, column = divmod(place, ACROSS)
        x, y = BOARD[0] + PLACE * (column + 0.5), 184.0 - PLACE * (row + 0.5)
        cut = Rectangle((x - CUT / 2, y - CUT / 2), CUT, CUT)
        cut.set(fill=False, linestyle='--', edgecolor='0.6', linewidth=POINTS_PER_MM * LINE)
        axes.add_patch(cut)
        half = 0.5e3 * FOOT_MARKER
        _draw_marker(axes, FOOT, number, (x - half, y + half), 2.0 * half)
        axes.text(x, y - CUT / 2 - 1.5, leg, fontsize=8, ha='center', va='top')
    _draw_bar(axes, FOOT_WORDS)
    _write(axes, (BOARD[0], 203.5), f'{name}: markers of the feet', 10, weight='bold')
    return figure


def _page() -> tuple[Figure, Axes]:
    figure = Figure(figsize=(WIDTH / INCH, HEIGHT / INCH))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set(xlim=(0.0, WIDTH), ylim=(0.0, HEIGHT))
    axes.axis('off')
    return figure, axes


def _draw_marker(
    axes: Axes,
    dictionary: cv2.aruco.Dictionary,
    number: int,
    upper_left: tuple[float, float],
    side: float,
) -> None:
    """Draw the black modules of a marker."""
    x, y = upper_left
    white = modules(dictionary, number)
    module = side / len(white)
    black = [
        (x + module * column, y - module * (row + 1))
        for row, line in enumerate(white)
        for column, bright in enumerate(line)
        if not bright
    ]
    _draw_squares(axes, black, module)


def _draw_squares(axes: Axes, corners: Sequence[tuple[float, float]], side: float) -> None:
    """Fill squares, given by their lower left corners.

    They are one shape: single ones are made larger by up to a pixel by what draws PDF, and have
    seams.
    """
    squares = [
        MatplotlibPath(
            [(x, y), (x + side, y), (x + side, y + side), (x, y + side), (x, y)], closed=True
        )
        for x, y in corners
    ]
    shape = MatplotlibPath.make_compound_path(*squares)
    axes.add_patch(PathPatch(shape, facecolor='black', linewidth=0))


def _draw_bar(axes: Axes, words: str) -> None:
    """Draw the bar, with a mark at each end and smaller ones every 50 mm, and write below it."""
    x, y = BAR_START
    length = 1e3 * BAR
    _line(axes, (x, y), (x + length, y))
    for step in range(6):
        at = x + 0.2 * step * length
        _line(axes, (at, y), (at, y + (4.0 if step in {0, 5} else 2.0)))
    _write(axes, (x, y - 1.5), f'{words} {BAR_WORDS}', 7.5)


def _line(axes: Axes, start: tuple[float, float], end: tuple[float, float]) -> None:
    axes.plot(
        *zip(start, end, strict=True),
        color='black',
        linewidth=POINTS_PER_MM * LINE,
        solid_capstyle='butt',
    )


def _write(
    axes: Axes, at: tuple[float, float], text: str, size: float, weight: str = 'normal'
) -> None:
    """Write lines down from a place, as wide as what is left of the page."""
    wide = int((WIDTH - BOARD[0] - at[0]) / (0.19 * size))
    axes.text(*at, fill(text, wide), fontsize=size, fontweight=weight, va='top', linespacing=1.25)
