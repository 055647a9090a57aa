# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The printed pages: rasterised by PDFium and measured on the picture."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray

from leg_kinematics.errors import CommandError
from leg_kinematics.photogrammetry.detection import look_at
from leg_kinematics.photogrammetry.layout import corner_places
from leg_kinematics.photogrammetry.sheets import write_sheets
from leg_kinematics.robot import Robot

Floats = NDArray[np.float64]

DPI = 600
PIXELS_PER_MM = DPI / 25.4

#: What the pages promise, mm.
EXACT = 0.1

#: Darker than half.
DARK = 128


def page_of(file: Path, page: int) -> NDArray[np.uint8]:
    """Rasterise a page, counted from 0."""
    with pypdfium2.PdfDocument(file) as pdf:
        grey = pdf[page].render(scale=DPI / 72, grayscale=True).to_numpy()
    picture: NDArray[np.uint8] = grey.reshape(grey.shape[:2]).copy()
    return picture


def edges(grey: NDArray[np.uint8]) -> list[float]:
    """Return where ink begins or ends along a row or a column of pixels, mm from its start."""
    dark = (grey < DARK).astype(int)
    return [float(place + 1) / PIXELS_PER_MM for place in np.flatnonzero(np.diff(dark))]


def row_of(picture: NDArray[np.uint8], y: float) -> NDArray[np.uint8]:
    """Return a row of a page, y mm from its lower edge."""
    row: NDArray[np.uint8] = picture[round(picture.shape[0] - y * PIXELS_PER_MM)]
    return row


def column_of(picture: NDArray[np.uint8], x: float) -> NDArray[np.uint8]:
    """Return a column of a page, from its lower edge upwards."""
    return picture[::-1, round(x * PIXELS_PER_MM)]


@pytest.mark.parametrize('page', range(3))
def test_the_bar_is_true_to_scale(sheets_file: Path, page: int) -> None:
    """A4 (ISO 216) on its side; a bar of 250 mm, from middle to middle of its end marks."""
    picture = page_of(sheets_file, page)
    tall, wide = (size / PIXELS_PER_MM for size in picture.shape)
    assert (wide, tall) == pytest.approx((297.0, 210.0), abs=EXACT)
    # Just above the bar only its marks are.
    marks = np.reshape(edges(row_of(picture, 22.0)), (-1, 2)).mean(axis=1)
    assert marks - marks[0] == pytest.approx(np.arange(0.0, 251.0, 50.0), abs=EXACT)


@pytest.mark.parametrize('page', range(2))
def test_squares_are_true_to_scale(sheets_file: Path, page: int) -> None:
    """Squares of 28 mm, nine by six, as sides of black: along a row and up a column.

    The way is 1 mm within the squares, where the tags in the white ones do not reach.
    """
    picture = page_of(sheets_file, page)
    # The lowest row of squares begins white, the leftmost column as well.
    across = edges(row_of(picture, 31.0))
    assert across == pytest.approx([22.5 + 28.0 * k for k in range(1, 9)], abs=EXACT)
    up = edges(column_of(picture, 23.5))
    assert [y for y in up if 50.0 < y < 200.0] == pytest.approx(
        [30.0 + 28.0 * k for k in range(1, 7)], abs=EXACT
    )


def test_foot_markers_are_true_to_scale(sheets_file: Path) -> None:
    """Of 15 mm, 40 mm apart, six in a row: their black borders along their upper edges."""
    across = edges(row_of(page_of(sheets_file, 2), 170.5))
    black = [edge for edge in across if min(abs(edge - cut) for cut in cut_lines()) > 0.5]
    expected = [42.5 + 40.0 * k + side for k in range(6) for side in (-7.5, 7.5)]
    assert black == pytest.approx(expected, abs=EXACT)


def cut_lines() -> list[float]:
    """Return where the dashed lines go up, mm."""
    return [42.5 + 40.0 * k + side for k in range(6) for side in (-10.0, 10.0)]


def test_corners_are_where_the_layout_says(sheets_file: Path, tmp_path: Path) -> None:
    """Found on the second page by OpenCV, whose boards know nothing of our pages."""
    file = tmp_path / 'page.png'
    cv2.imwrite(str(file), page_of(sheets_file, 1))
    look = look_at(file, [])
    (sheet,) = look.sheets
    assert sheet.sheet == 2
    assert sheet.corners.tolist() == list(range(40))
    # Pixels are counted from the middle of the upper left one.
    found = (sheet.pixels + 0.5) / PIXELS_PER_MM
    in_frame = np.column_stack([found[:, 0] - 148.5, 210.0 - found[:, 1] - 114.0])
    assert in_frame == pytest.approx(1e3 * corner_places(), abs=EXACT)


def test_markers_are_those_of_their_legs(sheets_file: Path, bracken: Robot, tmp_path: Path) -> None:
    """Read by OpenCV beside the name that is printed below: two of each leg, in the same order."""
    picture = page_of(sheets_file, 2)
    for place, name in enumerate(bracken.leg_names):
        row, column = divmod(place, 3)
        x, y = 42.5 + 80.0 * column, 164.0 - 40.0 * row
        left, right = (round((x + side) * PIXELS_PER_MM) for side in (-12.0, 12.0))
        high, low = (picture.shape[0] - round((y + side) * PIXELS_PER_MM) for side in (12.0, -12.0))
        file = tmp_path / f'{name}.png'
        cv2.imwrite(str(file), picture[high:low, left:right])
        (marker,) = look_at(file, bracken.leg_names).markers
        assert marker.leg == name
        middle = (marker.pixels.mean(axis=0) + 0.5) / PIXELS_PER_MM
        assert middle == pytest.approx([12.0, 12.0], abs=EXACT)


def words(file: Path, page: int) -> str:
    """Text of a page, in one line."""
    with pypdfium2.PdfDocument(file) as pdf:
        return ' '.join(pdf[page].get_textpage().get_text_range().split())


def test_pages_say_what_they_are_for(sheets_file: Path, bracken: Robot) -> None:
    """Names, numbers, and how the page is used."""
    for page in range(2):
        assert f'bracken: floor sheet {page + 1}' in words(sheets_file, page)
        assert 'tape down its corners' in words(sheets_file, page)
    feet = words(sheets_file, 2)
    assert all(feet.count(name) == 2 for name in bracken.leg_names)
    assert 'keeps its white edge' in feet
    for page in range(3):
        assert 'Print at 100 %, without fitting to the page' in words(sheets_file, page)


def test_many_legs_take_more_pages(bracken: Robot, tmp_path: Path) -> None:
    """Twelve legs have two markers each, 24 on a page; thirteen take a second one."""
    for legs, pages in ((12, 1), (13, 2)):
        many = tuple(replace(bracken.legs[0], name=f'leg_{k}') for k in range(legs))
        assert write_sheets(replace(bracken, legs=many), tmp_path / 'm.pdf', 1) == 1 + pages


def test_what_cannot_be_printed(bracken: Robot, tmp_path: Path) -> None:
    """Too many sheets or legs, and a folder that is not there."""
    file = tmp_path / 'markers.pdf'
    for sheets in (0, 13):
        with pytest.raises(CommandError, match=rf'1 to 12 sheets of markers \(got {sheets}\)'):
            write_sheets(bracken, file, sheets)
    many = tuple(replace(bracken.legs[0], name=f'leg_{k}') for k in range(51))
    with pytest.raises(CommandError, match='bracken has 51 legs, and there are markers for 50'):
        write_sheets(replace(bracken, legs=many), file)
    with pytest.raises(CommandError, match=r'none/markers\.pdf cannot be written: No such file'):
        write_sheets(bracken, tmp_path / 'none' / 'markers.pdf', 1)
