# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The printed protractors: pages are rasterised by PDFium and measured on the picture."""

from dataclasses import replace
from math import cos, sin
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from numpy.typing import NDArray

from leg_kinematics.calibration.sheet import sheet_pages, write_sheet
from leg_kinematics.errors import CommandError
from leg_kinematics.robot import Robot

if TYPE_CHECKING:
    from test.printed import EXACT, Paper, lines_crossed, words
else:
    from printed import EXACT, Paper, lines_crossed, words


def on_circle(paper: Paper, radius: float, ways: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Tell where there is ink around the middle of the protractor, at angles in deg."""
    turned = np.radians(ways)
    return paper.dark(105.0 + radius * np.cos(turned), 152.0 + radius * np.sin(turned))


@pytest.fixture(scope='module')
def sheet(bracken: Robot, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write the sheet of bracken."""
    file = tmp_path_factory.mktemp('sheet') / 'sheet.pdf'
    assert write_sheet(bracken, file) == 3
    return file


@pytest.mark.parametrize('page', range(3))
def test_the_page_is_true_to_scale(sheet: Path, page: int) -> None:
    """A4 (ISO 216), and both bars have a mark every 10 mm over 100 mm, within 0.1 mm."""
    paper = Paper(sheet, page)
    assert paper.size == pytest.approx((210.0, 297.0), abs=EXACT)
    # A millimetre beside each bar only its marks are.
    x = np.arange(45.0, 165.0, 0.01)
    across = paper.across(59.0, x)
    y = np.arange(90.0, 215.0, 0.01)
    up = paper.up(12.0, y)
    for marks in (across, up):
        assert np.subtract(marks, marks[0]) == pytest.approx(np.arange(0.0, 101.0, 10.0), abs=EXACT)


@pytest.mark.parametrize('page', range(3))
def test_every_degree_is_where_it_should_be(sheet: Path, page: int) -> None:
    """On a circle 1 mm inside the outer ends of the marks, each is within 0.1 mm of its degree."""
    paper = Paper(sheet, page)
    ways = np.arange(-179.5, 180.5, 0.01)
    marks = lines_crossed(on_circle(paper, 74.0, ways), ways)
    assert marks == pytest.approx(list(range(-179, 181)), abs=np.degrees(EXACT / 74.0))


def test_tens_and_fives_are_longer(sheet: Path) -> None:
    """A circle farther in meets only every fifth, and one yet farther every tenth mark."""
    paper = Paper(sheet, 1)
    ways = np.arange(-179.5, 180.5, 0.01)
    for radius, step in ((71.2, 5), (69.4, 10)):
        expected = [whole for whole in range(-179, 181) if whole % step == 0]
        marks = lines_crossed(on_circle(paper, radius, ways), ways)
        assert [round(mark) for mark in marks] == expected


@pytest.mark.parametrize(('page', 'away'), [(1, 32.0), (2, 68.0)])
def test_the_axis_before_is_marked(sheet: Path, page: int, away: float) -> None:
    """By the lengths of coxa and femur in the file: the upright stroke of the cross is there."""
    paper = Paper(sheet, page)
    x = np.arange(105.0 - away - 2.9, 105.0 - away + 2.9, 0.01)
    assert paper.across(155.0, x) == pytest.approx([105.0 - away], abs=EXACT)


@pytest.mark.parametrize(('page', 'lower', 'upper'), [(0, -60, 60), (1, -60, 95), (2, -150, -5)])
def test_the_limits_are_drawn(sheet: Path, page: int, lower: int, upper: int) -> None:
    """The thick arc outside the marks goes from limit to limit, as the file has them."""
    paper = Paper(sheet, page)
    ways = np.arange(-179.5, 180.5, 0.01)
    dark = on_circle(paper, 76.0, ways)
    assert float(ways[dark].min()) == pytest.approx(lower, abs=0.1)
    assert float(ways[dark].max()) == pytest.approx(upper, abs=0.1)
    assert dark.sum() == pytest.approx((upper - lower) / 0.01, abs=20)


def test_the_front_is_marked_for_every_leg(sheet: Path, bracken: Robot) -> None:
    """By hand: a leg whose mount has a yaw of 40 degrees has the front at -40 degrees."""
    paper = Paper(sheet, 0)
    for leg in bracken.legs:
        way = -leg.mount.rpy[2]
        # Across the line, near its inner end where no words are.
        aside = np.arange(-0.6, 0.6, 0.005)
        x = 105.0 + 18.0 * cos(way) - aside * sin(way)
        y = 152.0 + 18.0 * sin(way) + aside * cos(way)
        assert lines_crossed(paper.dark(x, y), aside) == pytest.approx([0.0], abs=EXACT)


def test_the_words_are_of_this_robot(sheet: Path) -> None:
    """Names, lengths and limits from its file, and what the printer must not do."""
    assert 'bracken: coxa of left_front, left_middle, left_rear,' in words(sheet, 0)
    assert 'through the coxa axis, 32 mm away, where the cross is' in words(sheet, 1)
    assert 'through the femur axis, 68 mm away, where the cross is' in words(sheet, 2)
    assert 'where the joint may be, -150 to -5 deg' in words(sheet, 2)
    for page in range(3):
        assert 'without fitting to the page' in words(sheet, page)
        assert 'Servos pinch' in words(sheet, page)


def test_legs_that_differ_have_their_own_page(bracken: Robot, tmp_path: Path) -> None:
    """One long coxa: its femur is measured on another page, where its axis is too far to mark."""
    first, *others = bracken.legs
    long = replace(first, coxa=replace(first.coxa, length=0.120))
    robot = replace(bracken, legs=(long, *others))
    pages = [(page.segment, len(page.legs)) for page in sheet_pages(robot)]
    assert pages == [('coxa', 6), ('femur', 1), ('femur', 5), ('tibia', 6)]
    file = tmp_path / 'sheet.pdf'
    assert write_sheet(robot, file) == 4
    assert 'of left_front thick' in words(file, 1)
    assert 'through the coxa axis, 120 mm away. Read' in words(file, 1)


def test_a_folder_that_is_not_there(bracken: Robot, tmp_path: Path) -> None:
    """The message names the file."""
    with pytest.raises(CommandError, match=r'none/sheet\.pdf cannot be written: No such file'):
        write_sheet(bracken, tmp_path / 'none' / 'sheet.pdf')
