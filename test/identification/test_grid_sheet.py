# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The printed grid: pages are rasterised by PDFium and measured on the picture."""

import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from leg_kinematics.errors import CommandError
from leg_kinematics.identification.grid_sheet import Tile, grid_tiles, write_grid
from leg_kinematics.robot import Mount, Robot, load_robot
from leg_kinematics.solver import LegReach, leg_solvers

if TYPE_CHECKING:
    from test.printed import EXACT, Paper, words
else:
    from printed import EXACT, Paper, words

CONFIG = Path(__file__).parents[2] / 'config'

#: On the paper from the lower left corner, mm: what every page has to itself, by ruler on a print
#: of it, and the grid in the middle, 180 by 240.
LEFT, BOTTOM, ACROSS, UP = 15.0, 30.0, 180.0, 240.0

#: Of the finest lines at this resolution: lighter than those are white.
WHITE = 245


@pytest.fixture(scope='module')
def bracken() -> Robot:
    """Return the robot that ships with the package."""
    return load_robot(CONFIG / 'robots' / 'bracken.yaml')


@pytest.fixture(scope='module')
def tiles(bracken: Robot) -> tuple[Tile, ...]:
    """Return its pages."""
    return grid_tiles(bracken)


@pytest.fixture(scope='module')
def sheet(bracken: Robot, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write its grid."""
    file = tmp_path_factory.mktemp('grid') / 'grid.pdf'
    assert write_grid(bracken, file) == 12
    return file


@pytest.mark.parametrize('page', [0, 5, 11])
def test_every_millimetre_is_where_it_should_be(sheet: Path, page: int) -> None:
    """A4 (ISO 216); 181 by 241 lines, each within 0.1 mm of its place, where there are no words."""
    paper = Paper(sheet, page)
    assert paper.size == pytest.approx((210.0, 297.0), abs=EXACT)
    x = np.arange(LEFT - 0.4, LEFT + ACROSS + 0.4, 0.01)
    across = [line for line in paper.across(BOTTOM + 28.5, x, WHITE) if line > 0.0]
    assert across == pytest.approx(list(np.arange(LEFT, LEFT + ACROSS + 0.1)), abs=EXACT)
    y = np.arange(BOTTOM - 0.4, BOTTOM + UP + 0.4, 0.01)
    up = paper.up(LEFT + 27.5, y, WHITE)
    assert up == pytest.approx(list(np.arange(BOTTOM, BOTTOM + UP + 0.1)), abs=EXACT)


@pytest.mark.parametrize('page', [0, 11])
def test_the_bars_are_as_long_as_they_say(sheet: Path, page: int) -> None:
    """A millimetre beside each only its marks are, every 10 mm over 150 and over 200 mm."""
    paper = Paper(sheet, page)
    lying = paper.across(18.5, np.arange(10.0, 167.0, 0.01))
    assert np.subtract(lying, lying[0]) == pytest.approx(np.arange(0.0, 151.0, 10.0), abs=EXACT)
    standing = paper.up(202.0, np.arange(45.0, 255.0, 0.01))
    assert np.subtract(standing, standing[0]) == pytest.approx(
        np.arange(0.0, 201.0, 10.0), abs=EXACT
    )
    assert '150 mm' in words(sheet, page)
    assert '200 mm' in words(sheet, page)


@pytest.mark.parametrize('page', [0, 5, 11])
def test_what_matters_is_on_us_letter_too(sheet: Path, page: int) -> None:
    """A page of 279.4 mm (ANSI/ASME Y14.1) has 8.8 mm less at both ends; printers need 6 more."""
    paper = Paper(sheet, page)
    x = np.arange(0.0, 209.9, 0.04)
    for y in (*np.arange(0.1, 14.8, 0.04), *np.arange(297.0 - 8.9, 296.9, 0.04)):
        assert not paper.dark(x, np.full_like(x, y), WHITE).any()


def test_numbers_are_those_of_base_link(sheet: Path, tiles: tuple[Tile, ...]) -> None:
    """By hand: x falls down the page, y falls to the right; both are written every 10 mm."""
    for page, tile in enumerate(tiles):
        text = words(sheet, page)
        assert f'bracken: grid, {tile.name} ' in text
        numbers = [int(each) for each in re.findall(r'-?\d+', re.sub(r'-?\d+, -?\d+', '', text))]
        for along in (
            range(tile.front - 240, tile.front + 1, 10),
            range(tile.left - 180, tile.left + 1, 10),
        ):
            assert set(along) <= set(numbers)
        assert tile.on_page(tile.front, tile.left) == (LEFT, BOTTOM + UP)
        assert tile.on_page(tile.front - 240, tile.left - 180) == (LEFT + ACROSS, BOTTOM)


def test_the_coxa_axes_are_where_the_description_has_them(
    sheet: Path, tiles: tuple[Tile, ...]
) -> None:
    """Page B2, whose corner is by hand at x 120, y 180, has left_middle at x 0, y 85.

    Its ring has a radius of 5 mm, and half of its cross lies 7 mm to each side.
    """
    (page,) = (index for index, tile in enumerate(tiles) if tile.name == 'B2')
    assert (tiles[page].front, tiles[page].left) == (120, 180)
    paper = Paper(sheet, page)
    across, up = LEFT + 180.0 - 85.0, BOTTOM + 240.0 - 120.0
    ring = paper.across(up + 3.0, np.arange(across - 4.7, across + 4.7, 0.01))
    assert ring == pytest.approx([across - 4.0, across, across + 4.0], abs=EXACT)
    assert 'left_middle' in words(sheet, page)
    # The body is 130 mm wide: its outline is at y 65, and dashed.
    y = np.arange(up + 20.0, up + 90.0, 0.01)
    outline = paper.dark(np.full_like(y, LEFT + 180.0 - 65.0), y)
    assert 0.4 < outline.mean() < 0.95


def test_neighbours_meet(sheet: Path, tiles: tuple[Tile, ...]) -> None:
    """Crosses of two pages that share a strip stand at the same places of base_link."""
    places: dict[tuple[float, float], set[str]] = {}
    for page, tile in enumerate(tiles):
        paper = Paper(sheet, page)
        # The middles of strips, at a fifth of their lengths, by the crosses' rings of 2.5 mm.
        for across, up in (
            (LEFT + 5.0, BOTTOM + 48.0),
            (LEFT + 175.0, BOTTOM + 48.0),
            (LEFT + 36.0, BOTTOM + 5.0),
            (LEFT + 36.0, BOTTOM + 235.0),
        ):
            ring = paper.across(up + 1.5, np.arange(across - 2.4, across + 2.4, 0.01))
            if ring:
                assert ring == pytest.approx([across - 2.0, across, across + 2.0], abs=EXACT)
                place = (tile.front - (BOTTOM + UP - up), tile.left - (across - LEFT))
                places.setdefault(place, set()).add(tile.name)
    # 3 rows of 4 pages: 3 strips a row, 4 between two rows.
    assert len(places) == 3 * 3 + 2 * 4
    assert all(len(names) == 2 for names in places.values())
    assert 'cut along the frame, and lay this page on B1' in words(sheet, 5)
    assert 'cut along the frame, and lay this page on C2' in words(sheet, 5)


@pytest.mark.parametrize('file', ['bracken', 'bench_leg'])
def test_the_pages_are_under_every_foot(file: str) -> None:
    """Random places that the solver can reach, below the mounts, are on a page."""
    robot = load_robot(CONFIG / 'robots' / f'{file}.yaml')
    rng = np.random.default_rng(7)
    pages = grid_tiles(robot)
    for leg in leg_solvers(robot):
        reach = LegReach(leg)
        for aim in rng.uniform(-0.4, 0.4, (40, 3)):
            x, y, z = reach.nearest((aim[0], aim[1], -abs(aim[2])))
            if z < 0.0:
                assert any(
                    0.0 <= tile.front - 1e3 * x <= UP and 0.0 <= tile.left - 1e3 * y <= ACROSS
                    for tile in pages
                )


def test_a_far_leg_leaves_no_useless_pages(bracken: Robot) -> None:
    """Two legs three metres ahead of the body: what lies between is not printed."""
    first, second = bracken.legs[0], bracken.legs[3]
    ahead = [
        replace(leg, mount=Mount((3.0, leg.mount.position[1], 0.0), leg.mount.rpy))
        for leg in (first, second)
    ]
    pages = grid_tiles(replace(bracken, legs=tuple(ahead)))
    assert {tile.row for tile in pages} > {0}
    assert len(pages) < 24
    assert not [tile for tile in pages if 500 < tile.front < 2000]


def test_a_folder_that_is_not_there(bracken: Robot, tmp_path: Path) -> None:
    """The message names the file."""
    with pytest.raises(CommandError, match=r'none/grid\.pdf cannot be written: No such file'):
        write_grid(bracken, tmp_path / 'none' / 'grid.pdf')
