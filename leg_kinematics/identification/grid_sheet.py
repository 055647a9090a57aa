# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A grid to be printed on several pages and taped together, on which feet are read by ruler.

It lies under the robot: lines every millimetre, with the coordinates of `base_link` in mm, and the
body and the coxa axes as seen from above. Forward is up on the page, left is left. Neighbours
share a strip with the same lines and crosses, by which they are laid on each other. It need not
lie exactly under the robot: how it lies is found out with the rest.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil, floor
from pathlib import Path
from textwrap import fill

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle
from numpy.typing import NDArray

from leg_kinematics.calibration.paper import (
    LINE,
    blank_page,
    draw_bar,
    draw_line,
    points,
    write_pages,
)
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegGeometry, MountTransform, forward_batch

MM = 1e3

#: Of the grid on a page, mm. With the strips that neighbours share it advances by whole tens.
ACROSS, UP = 180.0, 240.0

#: That neighbours share, mm wide.
STRIP = 10.0

#: Lower left corner of the grid on the page, mm.
LEFT, BOTTOM = 15.0, 30.0

#: Every line of so many mm: how wide it is, mm, and its grey.
LINES = {1: (0.06, '0.8'), 5: (0.08, '0.65'), 10: (0.12, '0.45'), 50: (0.25, '0.25')}

#: Places are named inside the grid every so many mm.
NAMED = 50

#: That the name of a place takes at most, mm.
WORDS = 14.0

#: Along the shared strips the crosses are so far from their ends, mm.
CROSSES = (0.2, 0.8)
CROSS, RING = 4.0, 2.5

#: Of the bars by which the printer is checked, mm, and where they begin.
LYING, LYING_AT = 150.0, (15.0, 17.5)
STANDING, STANDING_AT = 200.0, (201.0, 50.0)

#: Of the map of all pages, mm: of one page on it, and its upper right corner.
TINY = (3.0, 4.0)
MAP_CORNER = (192.0, 287.0)

#: Joint angles at which the reach of a leg is looked at, of each joint.
SAMPLES = 25

#: Robot: the second of Okabe and Ito, Color Universal Design, 2008 (from memory).
ROBOT = '#0072b2'

LAYING = (
    'Print at 100 %, and measure both bars on every page: if they are wrong, print again without '
    'fitting to the page. Lay the pages on each other so that all crosses meet, and tape them flat.'
)

#: How a page is laid on one beside it.
CUTTING = 'cut along the frame, and lay this page on {name}'


@dataclass(frozen=True)
class Tile:
    """One page of the grid.

    Attributes
    ----------
    row, column
        Its place, from the front and from the left, from 0.
    front, left
        Of the corner of its grid that lies farthest forward and left, in `base_link`, mm.

    """

    row: int
    column: int
    front: int
    left: int

    @property
    def name(self) -> str:
        """Row and column, such as A1 for the page farthest forward and left."""
        return f'{chr(ord("A") + self.row)}{self.column + 1}'

    def on_page(self, x: float, y: float) -> tuple[float, float]:
        """Give the place on the page, mm, of a place in `base_link`, mm."""
        return (LEFT + self.left - y, BOTTOM + UP - (self.front - x))


def grid_tiles(robot: Robot) -> tuple[Tile, ...]:
    """Say which pages a robot needs: all that a foot may be above, or the body.

    A foot counts where it is below the plane in which the legs are mounted.
    """
    feet = np.vstack([_reached(robot, index) for index in range(len(robot.legs))])
    corners = MM * 0.5 * np.array(robot.body.size[:2]) * [[1, 1], [1, -1], [-1, 1], [-1, -1]]
    places = np.vstack([feet, corners])
    tiles = []
    (back, right), (front, left) = places.min(axis=0), places.max(axis=0)
    rows, columns = _number(front - back, UP), _number(left - right, ACROSS)
    first_front = _first(front, back, rows, UP)
    first_left = _first(left, right, columns, ACROSS)
    for row in range(rows):
        for column in range(columns):
            tile = Tile(
                row,
                column,
                first_front - round(row * (UP - STRIP)),
                first_left - round(column * (ACROSS - STRIP)),
            )
            ahead, aside = tile.front - places[:, 0], tile.left - places[:, 1]
            inside = (ahead >= 0.0) & (ahead <= UP) & (aside >= 0.0) & (aside <= ACROSS)
            if inside.any():
                tiles.append(tile)
    return tuple(tiles)


def write_grid(robot: Robot, file: Path) -> int:
    """Write the grid for a robot, or for some of its legs, as a PDF, true to scale.

    Parameters
    ----------
    robot
        With the legs whose feet are read.
    file
        The PDF.

    Returns
    -------
    int
        How many pages there are.

    Raises
    ------
    CommandError
        The file cannot be written.

    """
    tiles = grid_tiles(robot)
    pages = (_draw(robot, tile, tiles) for tile in tiles)
    return write_pages(file, f'{robot.name}: grid', pages)


def _reached(robot: Robot, index: int) -> NDArray[np.float64]:
    """Places of a foot seen from above, mm, shape (n, 2), as its joints go through their limits."""
    leg = robot.legs[index]
    swept = [np.linspace(link.lower, link.upper, SAMPLES) for link in leg.links]
    angles = np.stack(np.meshgrid(*swept), axis=-1).reshape(-1, 3)
    mount = MountTransform.of(leg.mount)
    feet = np.array(
        [mount.to_body(tuple(foot)) for foot in forward_batch(LegGeometry.of(leg), angles)]
    )
    below: NDArray[np.float64] = MM * feet[feet[:, 2] < 0.0, :2]
    return below


def _number(extent: float, page: float) -> int:
    """Count the pages along an extent, mm; rounding to tens may take ten."""
    return max(1, ceil((extent + 10.0 - STRIP) / (page - STRIP)))


def _first(high: float, low: float, pages: int, page: float) -> int:
    """Say where the first page begins, mm, a whole ten, so that all lie evenly about the middle."""
    whole = pages * (page - STRIP) + STRIP
    return 10 * floor(0.1 * (0.5 * (high + low) + 0.5 * whole) + 0.5)


def _draw(robot: Robot, tile: Tile, tiles: tuple[Tile, ...]) -> Figure:
    figure, axes = blank_page()
    frame = Rectangle((LEFT, BOTTOM), ACROSS, UP, fill=False, linewidth=points(LINE))
    axes.add_patch(frame)
    _draw_lines(axes, tile)
    _draw_robot(axes, robot, tile, frame)
    _name_lines(axes, tile)
    for place in _crosses(tile, tiles):
        axes.add_patch(
            Circle(place, RING, facecolor='white', edgecolor='black', linewidth=points(LINE))
        )
        _draw_cross(axes, place, CROSS, 'black', frame)
    draw_bar(axes, LYING_AT, LYING, standing=False)
    draw_bar(axes, STANDING_AT, STANDING, standing=True)
    _draw_map(axes, tile, tiles)
    _write(axes, robot, tile, tiles)
    return figure


def _draw_lines(axes: Axes, tile: Tile) -> None:
    """Draw every millimetre both ways, the finer lines under the coarser ones."""
    for step, (width, grey) in LINES.items():
        coarser = [each for each in LINES if each > step]
        lines = [
            [tile.on_page(x, tile.left), tile.on_page(x, tile.left - ACROSS)]
            for x in _whole(tile.front, UP, step, coarser)
        ]
        lines += [
            [tile.on_page(tile.front, y), tile.on_page(tile.front - UP, y)]
            for y in _whole(tile.left, ACROSS, step, coarser)
        ]
        axes.add_collection(
            LineCollection(
                lines, linewidths=points(width), colors=grey, capstyle='butt', zorder=0.5
            )
        )


def _whole(high: int, extent: float, step: int, coarser: list[int]) -> Iterator[int]:
    """Give the multiples of a step from an edge downwards that no coarser line is on, mm."""
    for value in range(high - round(extent), high + 1):
        if value % step == 0 and not any(value % each == 0 for each in coarser):
            yield value


def _draw_robot(axes: Axes, robot: Robot, tile: Tile, frame: Rectangle) -> None:
    """Draw the body and the coxa axes, as far as they are on this page."""
    length, width = MM * robot.body.size[0], MM * robot.body.size[1]
    corner = tile.on_page(-0.5 * length, 0.5 * width)
    body = Rectangle(
        corner, width, length, fill=False, edgecolor=ROBOT, linestyle='--', linewidth=points(0.5)
    )
    axes.add_patch(body)
    body.set_clip_path(frame)
    places = [
        ('base_link', (0.0, 0.0)),
        *((leg.name, leg.mount.position[:2]) for leg in robot.legs),
    ]
    for name, (x, y) in places:
        across, up = place = tile.on_page(MM * x, MM * y)
        if not (LEFT <= across <= LEFT + ACROSS and BOTTOM <= up <= BOTTOM + UP):
            continue
        ring = Circle(place, 5.0, fill=False, edgecolor=ROBOT, linewidth=points(0.4))
        axes.add_patch(ring)
        ring.set_clip_path(frame)
        _draw_cross(axes, place, 7.0, ROBOT, frame)
        beside = 3.0 if across < LEFT + 0.5 * ACROSS else -3.0
        above = 9.0 if up < BOTTOM + 0.5 * UP else -9.0
        ha = 'left' if beside > 0.0 else 'right'
        _label(axes, (across + beside, up + above), name, ROBOT, 7.0, ha=ha, va='center')


def _name_lines(axes: Axes, tile: Tile) -> None:
    """Write the numbers of the tens beside the frame, and of the fifties inside."""
    for x in _whole(tile.front, UP, 10, []):
        axes.text(LEFT - 1.0, tile.on_page(x, 0.0)[1], f'{x}', fontsize=6, ha='right', va='center')
    for y in _whole(tile.left, ACROSS, 10, []):
        axes.text(tile.on_page(0.0, y)[0], BOTTOM - 1.0, f'{y}', fontsize=6, ha='center', va='top')
    for x in _whole(tile.front, UP, NAMED, []):
        for y in _whole(tile.left, ACROSS, NAMED, []):
            across, up = tile.on_page(x, y)
            # None on the crosses.
            inside = LEFT + STRIP <= across <= LEFT + ACROSS - STRIP - WORDS
            if inside and BOTTOM + STRIP <= up <= BOTTOM + UP - STRIP - WORDS:
                _label(axes, (across + 1.0, up + 1.2), f'{x}, {y}', '0.2', 6.0)


def _label(
    axes: Axes,
    place: tuple[float, float],
    text: str,
    colour: str,
    size: float,
    *,
    ha: str = 'left',
    va: str = 'bottom',
) -> None:
    """Write on the grid, with the lines under the words left out."""
    axes.text(
        *place,
        text,
        fontsize=size,
        color=colour,
        ha=ha,
        va=va,
        bbox={'facecolor': 'white', 'edgecolor': 'none', 'pad': 0.6},
        zorder=0.8,
    )


def _crosses(tile: Tile, tiles: tuple[Tile, ...]) -> Iterator[tuple[float, float]]:
    """Give the middles of the crosses, mm on the page: two on each strip that is shared."""
    there = {(each.row, each.column) for each in tiles}
    half = 0.5 * STRIP
    for way, across in ((-1, LEFT + half), (1, LEFT + ACROSS - half)):
        if (tile.row, tile.column + way) in there:
            yield from ((across, BOTTOM + share * UP) for share in CROSSES)
    for way, up in ((-1, BOTTOM + UP - half), (1, BOTTOM + half)):
        if (tile.row + way, tile.column) in there:
            yield from ((LEFT + share * ACROSS, up) for share in CROSSES)


def _draw_cross(
    axes: Axes, place: tuple[float, float], half: float, colour: str, frame: Rectangle
) -> None:
    across, up = place
    for way in ((half, 0.0), (0.0, half)):
        draw_line(axes, (across - way[0], up - way[1]), (across + way[0], up + way[1]), colour)
        axes.lines[-1].set_clip_path(frame)


def _draw_map(axes: Axes, tile: Tile, tiles: tuple[Tile, ...]) -> None:
    """Show where this page lies among the others."""
    width, height = TINY
    columns = 1 + max(each.column for each in tiles)
    for each in tiles:
        corner = (
            MAP_CORNER[0] - width * (columns - each.column),
            MAP_CORNER[1] - height * (each.row + 1),
        )
        colour = ROBOT if each == tile else 'white'
        axes.add_patch(
            Rectangle(
                corner, width, height, facecolor=colour, edgecolor='0.3', linewidth=points(0.15)
            )
        )


def _write(axes: Axes, robot: Robot, tile: Tile, tiles: tuple[Tile, ...]) -> None:
    title = f'{robot.name}: grid, {tile.name}'
    axes.text(LEFT, 287.0, title, fontsize=13, fontweight='bold', va='top')
    axes.text(LEFT, 279.5, fill(LAYING, 110), fontsize=6.5, va='top', linespacing=1.2)
    x, y = LYING_AT
    axes.text(x + LYING + 3.0, y, f'{LYING:g} mm', fontsize=8, va='bottom')
    x, y = STANDING_AT
    axes.text(x + 5.0, y + 0.5 * STANDING, f'{STANDING:g} mm', fontsize=8, rotation=90, va='center')
    x, y = LEFT + 0.5 * ACROSS, BOTTOM + 0.5 * UP
    axes.text(x, 26.5, 'y in base_link, mm', fontsize=6, ha='center', va='top')
    axes.text(5.0, y, 'x in base_link, mm', fontsize=6, rotation=90, ha='center', va='center')
    for each in tiles:
        text = CUTTING.format(name=each.name)
        if (each.row, each.column) == (tile.row, tile.column - 1):
            axes.text(5.0, BOTTOM + 5.0, text, fontsize=6, rotation=90, ha='center', va='bottom')
        if (each.row, each.column) == (tile.row + 1, tile.column):
            axes.text(LEFT + 5.0, 26.5, text, fontsize=6, va='top')
    x = STANDING_AT[0] + 1.5
    look = {'arrowstyle': '-|>', 'color': ROBOT, 'linewidth': points(0.6)}
    axes.annotate('', xy=(x, 283.0), xytext=(x, 268.0), arrowprops=look)
    axes.text(x, 266.0, 'forward', fontsize=7, color=ROBOT, ha='center', va='top')
