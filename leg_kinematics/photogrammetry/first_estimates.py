# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A scene near enough to the truth for the bundle adjustment to find the rest.

The lens comes from the sheets, each view of a sheet taken for itself (`calibrateCamera`); sheets
are joined by the photographs that show two of them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import atan2

import cv2
import numpy as np
from numpy.typing import NDArray

from leg_kinematics.photogrammetry.camera import LENS
from leg_kinematics.photogrammetry.layout import SQUARE, corner_places
from leg_kinematics.photogrammetry.look import Look, SheetSeen
from leg_kinematics.photogrammetry.rigid import Pose
from leg_kinematics.photogrammetry.scene import PRINT, Scene, Sightings

Floats = NDArray[np.float64]

#: Fewer corners of a sheet do not tell how it lies.
LEAST_CORNERS = 8

#: Nor do corners in one row: across it they scatter by less than this, m.
LEAST_WIDTH = 0.4 * SQUARE

#: The main camera of a phone sees some 65 degrees across (common practice, no source): its focal
#: length in widths of the picture.
USUAL_FOCAL = 0.78

#: Of each photograph and sheet: what is seen of the sheet.
Views = Mapping[tuple[int, int], SheetSeen]


@dataclass(frozen=True)
class Start:
    """First estimates.

    Attributes
    ----------
    scene
        All photographs and sheets that can be joined to one sheet; without foot markers.
    seen
        The corners of its sheets.
    photographs
        Of the photographs in the scene: their places among those that were given.
    sheets
        Of the sheets in the scene: their numbers.
    widths
        Of the pictures of each camera, px.

    """

    scene: Scene
    seen: Sightings
    photographs: tuple[int, ...]
    sheets: tuple[int, ...]
    widths: Floats


def first_estimates(looks: Sequence[Look], scale: float) -> Start | None:
    """Put together what photographs show, in the frame of the sheet that is seen best.

    Parameters
    ----------
    looks
        What each photograph shows.
    scale
        How much larger the print is than described.

    Returns
    -------
    Start or None
        None where no photograph shows a sheet well enough.

    """
    views = {
        (place, each.sheet): each
        for place, look in enumerate(looks)
        for each in look.sheets
        if tells_how_it_lies(each)
    }
    if not views:
        return None
    sizes = sorted({looks[place].size for place, _ in views})
    lenses = np.array(
        [
            _lens([each for (at, _), each in views.items() if looks[at].size == size], size, scale)
            for size in sizes
        ]
    )
    of_photograph = {place: lenses[sizes.index(looks[place].size)] for place, _ in views}
    lying = {key: _lying(each, of_photograph[key[0]], scale) for key, each in views.items()}
    cameras, sheets = _joined(views, lying)
    photographs = tuple(sorted(cameras))
    scene = Scene(
        camera=np.array([sizes.index(looks[place].size) for place in photographs]),
        lenses=lenses,
        focus=np.zeros(len(photographs)),
        turns=np.array([cameras[place].turn for place in photographs]),
        shifts=np.array([cameras[place].shift for place in photographs]),
        sheets=np.array([_flat(each) for each in sheets.values()]),
        attitudes=np.empty((0, 3, 3)),
        centres=np.empty((0, 3)),
        print=np.zeros(PRINT),
        scale=scale,
    )
    numbers = tuple(sheets)
    seen = _sightings(looks, photographs, numbers)
    widths = np.array([float(max(size)) for size in sizes])
    return Start(scene, seen, photographs, numbers, widths)


def tells_how_it_lies(seen: SheetSeen) -> bool:
    """Whether so much of a sheet is seen that it is clear how it lies."""
    if len(seen.corners) < LEAST_CORNERS:
        return False
    spread = np.cov(corner_places()[seen.corners].T, bias=True)
    return bool(np.linalg.eigvalsh(spread)[0] >= LEAST_WIDTH**2)


def _lens(views: Sequence[SheetSeen], size: tuple[int, int], scale: float) -> Floats:
    """Estimate the focal length; the middle and the distortion are left to the adjustment."""
    width, height = size
    focal = USUAL_FOCAL * max(size)
    guess = np.array(
        [[focal, 0.0, 0.5 * (width - 1)], [0.0, focal, 0.5 * (height - 1)], [0.0, 0.0, 1.0]]
    )
    places = np.pad(corner_places() * scale, ((0, 0), (0, 1))).astype(np.float32)
    _, matrix, _, _, _ = cv2.calibrateCamera(
        [places[each.corners] for each in views],
        [each.pixels.astype(np.float32) for each in views],
        size,
        guess,
        np.zeros(5),
        flags=cv2.CALIB_USE_INTRINSIC_GUESS
        | cv2.CALIB_FIX_PRINCIPAL_POINT
        | cv2.CALIB_FIX_ASPECT_RATIO
        | cv2.CALIB_ZERO_TANGENT_DIST
        | cv2.CALIB_FIX_K1
        | cv2.CALIB_FIX_K2
        | cv2.CALIB_FIX_K3,
    )
    lens = np.zeros(LENS)
    lens[:3] = matrix[0, 0], matrix[0, 2], matrix[1, 2]
    return lens


def _lying(seen: SheetSeen, lens: Floats, scale: float) -> Pose:
    """Return the pose of a sheet before a camera, from one view."""
    matrix = np.array([[lens[0], 0.0, lens[1]], [0.0, lens[0], lens[2]], [0.0, 0.0, 1.0]])
    places = np.pad(corner_places()[seen.corners] * scale, ((0, 0), (0, 1)))
    _, vector, shift = cv2.solvePnP(places, seen.pixels.reshape(-1, 1, 2), matrix, np.zeros(5))
    return Pose.of(np.asarray(vector), np.asarray(shift))


def _joined(
    views: Views, lying: Mapping[tuple[int, int], Pose]
) -> tuple[dict[int, Pose], dict[int, Pose]]:
    """Place cameras and sheets, from the sheet of which most is seen, by the best views first.

    Returns
    -------
    dict, dict
        Of each photograph the pose from the ground to its camera; of each sheet, by number, its
        pose on the ground. What has no link to that sheet is in neither.

    """
    amount: dict[int, int] = {}
    for (_, sheet), each in views.items():
        amount[sheet] = amount.get(sheet, 0) + len(each.corners)
    ground = max(amount, key=lambda number: (amount[number], -number))
    sheets = {ground: Pose(np.eye(3), np.zeros(3))}
    cameras: dict[int, Pose] = {}
    best_first = sorted(views, key=lambda key: -len(views[key].corners))
    while True:
        link = next((key for key in best_first if (key[0] in cameras) != (key[1] in sheets)), None)
        if link is None:
            return cameras, sheets
        place, sheet = link
        if sheet in sheets:
            cameras[place] = lying[link] @ sheets[sheet].inverse()
        else:
            sheets[sheet] = cameras[place].inverse() @ lying[link]


def _flat(pose: Pose) -> tuple[float, float, float]:
    """Return x, y and yaw of a sheet, which lies on the ground."""
    return (pose.shift[0], pose.shift[1], atan2(pose.turn[1, 0], pose.turn[0, 0]))


def _sightings(
    looks: Sequence[Look], photographs: Sequence[int], sheets: Sequence[int]
) -> Sightings:
    """Put the corners of all sheets into columns."""
    views = [
        Sightings.of_sheet(index, sheets.index(each.sheet), each.corners, each.pixels)
        for index, place in enumerate(photographs)
        for each in looks[place].sheets
        if each.sheet in sheets
    ]
    return Sightings.together(views)
