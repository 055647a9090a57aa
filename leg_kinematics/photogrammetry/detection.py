# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Finds sheets and foot markers in a photograph, and says how sharp and bright it is."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from leg_kinematics.errors import CommandError
from leg_kinematics.photogrammetry.dictionaries import FLOOR, FOOT, board, sheet_of
from leg_kinematics.photogrammetry.edges import crossings
from leg_kinematics.photogrammetry.layout import MOST_SHEETS
from leg_kinematics.photogrammetry.look import Look, MarkerSeen, SheetSeen

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

#: A foot marker whose longest side is shorter than this tells too little, px.
LEAST_SIDE: Final = 12.0

#: Half of the window in which an edge's blur is looked for, px.
AROUND: Final = 9

#: Of a picture, so much may be fully black or white; a photograph whose brightest parts are darker
#: than the second is too dark.
MOST_CLIPPED, LEAST_BRIGHT = 0.25, 70.0


def look_at(file: Path, legs: Sequence[str]) -> Look:
    """Find what a photograph shows.

    Parameters
    ----------
    file
        The photograph. How it is to be turned for looking at it, as phones note it, does not matter
        here: pixels stay where the sensor has them.
    legs
        Names of the legs, in the order of the robot's description: by that the markers are
        numbered.

    Raises
    ------
    CommandError
        The file cannot be read as a picture.

    """
    try:
        data = file.read_bytes()
    except OSError as error:
        raise CommandError(f'{file} cannot be read: {error.strerror or error}') from error
    flags = cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), flags) if data else None
    if picture is None:
        raise CommandError(
            f'{file} cannot be read as a picture: JPEG and PNG can. A phone that takes HEIC can be '
            'set '
            "to 'most compatible', or the photographs can be converted"
        )
    return _look(file.name, np.asarray(picture, dtype=np.uint8), legs)


def _look(name: str, picture: Picture, legs: Sequence[str]) -> Look:
    height, width = picture.shape
    quads, tags = _detected(picture, FLOOR)
    sheets = _sheets(picture, quads, tags)
    markers = _markers(picture, legs, quads)
    return Look(
        file=name,
        size=(width, height),
        sheets=sheets,
        markers=markers,
        blur=_blur(picture, sheets),
        light=_light(picture),
    )


def _detected(picture: Picture, dictionary: cv2.aruco.Dictionary) -> tuple[list[Floats], list[int]]:
    """Return the corners, each of shape (4, 2), and the numbers of markers of a family."""
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    # Nothing that is not just as printed is taken for a marker.
    settings.errorCorrectionRate = 0.0
    corners, numbers, _ = cv2.aruco.ArucoDetector(dictionary, settings).detectMarkers(picture)
    if not corners:
        return [], []
    quads = [np.asarray(each, dtype=float).reshape(4, 2) for each in corners]
    return quads, [int(each) for each in np.ravel(numbers)]


def _sheets(
    picture: Picture, quads: Sequence[Floats], tags: Sequence[int]
) -> tuple[SheetSeen, ...]:
    """Find the corners of the sheets whose tags were found."""
    found = []
    for number in sorted({sheet_of(tag) for tag in tags}):
        own = [place for place, tag in enumerate(tags) if sheet_of(tag) == number]
        if number > MOST_SHEETS:
            continue
        # Its types do not know that there may be no corners.
        detector: Any = cv2.aruco.CharucoDetector(board(number))
        corners, names, _, _ = detector.detectBoard(
            picture,
            markerCorners=[quads[place].reshape(1, 4, 2).astype(np.float32) for place in own],
            markerIds=np.array([[tags[place]] for place in own], dtype=np.int32),
        )
        if names is not None:
            pixels = np.asarray(corners, dtype=float).reshape(-1, 2)
            found.append(SheetSeen(number, np.ravel(names).astype(np.intp), pixels))
    return tuple(found)


def _markers(
    picture: Picture, legs: Sequence[str], tags: Sequence[Floats]
) -> tuple[MarkerSeen, ...]:
    """Find the markers of feet; of two with one number the larger one."""
    found: dict[int, MarkerSeen] = {}
    for quad, number in zip(*_detected(picture, FOOT), strict=True):
        if number >= len(legs) or any(_inside(quad, tag) for tag in tags):
            continue
        corners = crossings(picture, quad)
        if corners is None:
            continue
        seen = MarkerSeen(legs[number], corners)
        if seen.side >= LEAST_SIDE and (number not in found or seen.side > found[number].side):
            found[number] = seen
    return tuple(found[number] for number in sorted(found))


def _inside(quad: Floats, tag: Floats) -> bool:
    """Tell whether a square is part of a tag that was found whole."""
    middle = tuple(float(value) for value in quad.mean(axis=0))
    return cv2.pointPolygonTest(tag.astype(np.float32), middle, measureDist=False) > 0.0


def _blur(picture: Picture, sheets: Sequence[SheetSeen]) -> float:
    """Return how wide edges are, px: the median around the corners of sheets.

    A step that is blurred by a Gaussian is steepest by its height over sqrt(2 pi) sigma (its
    derivative, by hand).
    """
    widths = []
    for x, y in (pixel for sheet in sheets for pixel in sheet.pixels[::3]):
        column, row = round(float(x)), round(float(y))
        patch = picture[
            max(row - AROUND, 0) : row + AROUND + 1, max(column - AROUND, 0) : column + AROUND + 1
        ].astype(float)
        if min(patch.shape) < 2 * AROUND + 1:
            continue
        low, high = np.percentile(patch, (10.0, 90.0))
        slope = np.hypot(*np.gradient(patch))
        steepest = float(np.percentile(slope, 98.0))
        widths.append((high - low) / (np.sqrt(2.0 * np.pi) * max(steepest, 1e-9)))
    return float(np.median(widths)) if widths else float('nan')


def _light(picture: Picture) -> Literal['', 'dark', 'bright']:
    """Say what is wrong with the exposure."""
    if float((picture >= 254).mean()) > MOST_CLIPPED:
        return 'bright'
    if float(np.percentile(picture, 99.0)) < LEAST_BRIGHT:
        return 'dark'
    return ''
