# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A person who takes photographs of an unknown robot, whose corners are found as well as such are.

The pixels are worked out by OpenCV's own projection, not by the formulas of the package. Each phone
has a lens of its own, which focuses anew for each photograph, and each printer a scale of its own.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import cos, pi, radians, sin

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from leg_kinematics.calibration.foot_readings import Triple
from leg_kinematics.photogrammetry.feet import PhotoResult, feet_from_looks
from leg_kinematics.photogrammetry.layout import (
    BAR,
    COLUMNS,
    FOOT_MARKER,
    ROWS,
    SQUARE,
)
from leg_kinematics.photogrammetry.look import Look, MarkerSeen, SheetSeen

Floats = NDArray[np.float64]

#: Where four sheets are put around bracken, in the ground's frame: x, y in m and yaw in deg.
LAID = ((0.0, 0.27, 0.0), (0.0, -0.27, 0.0), (0.33, 0.0, 90.0), (-0.33, 0.0, 90.0))

#: A marker leans back from its tibia by this, so that it looks up and out.
LEANS = radians(50.0)

#: A marker is found when it is seen from no farther aside than this.
ASIDE = cos(radians(68.0))


@dataclass(frozen=True)
class Phone:
    """A phone: pixels across and down, focal length in px, and its lens as OpenCV has it."""

    size: tuple[int, int]
    focal: float
    middle: tuple[float, float]
    distortion: Floats
    #: Of the focal length, from photograph to photograph, relative.
    focuses: float = 0.003

    @classmethod
    def draw(cls, rng: np.random.Generator, size: tuple[int, int] = (4032, 3024)) -> 'Phone':
        """Draw one: 60 to 73 degrees across, a distortion of some percent at most."""
        width, height = size
        shift = 0.006 * width * rng.normal(size=2)
        distortion = [
            rng.uniform(-0.04, 0.08),
            rng.uniform(-0.10, 0.06),
            *rng.normal(0.0, 0.0005, 2),
            0.0,
        ]
        middle = ((width - 1) / 2 + shift[0], (height - 1) / 2 + shift[1])
        return cls(size, width * rng.uniform(0.68, 0.86), middle, np.array(distortion))

    def pixels(self, points: Floats, focal: float) -> Floats:
        """Return where points before the camera are found."""
        matrix = np.array([[focal, 0.0, self.middle[0]], [0.0, focal, self.middle[1]], [0, 0, 1.0]])
        found, _ = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, self.distortion)
        return np.asarray(found, dtype=float).reshape(-1, 2)

    def inside(self, pixels: Floats) -> NDArray[np.bool_]:
        """Tell which are in the picture, and not at its very edge."""
        kept: NDArray[np.bool_] = np.all(
            (pixels > 20) & (pixels < np.subtract(self.size, 20)), axis=1
        )
        return kept


@dataclass
class Photographer:
    """Prints, lays out, and photographs; errors are standard deviations.

    Attributes
    ----------
    phone
        Used for all photographs.
    scale
        How much larger the print is than described.
    board, marker
        Of the corners of sheets and of foot markers, px. A marker is moreover found too small or
        too large, by half of the latter at each corner.
    bar
        Of the length of the bar as it is read, m.
    bow
        How much higher the middle of each sheet lies than its short edges, m.

    """

    rng: np.random.Generator
    phone: Phone
    scale: float
    board: float = 0.08
    marker: float = 0.12
    bar: float = 0.1e-3
    bow: float = 0.0
    looks: list[Look] = field(default_factory=list)
    poses: dict[str, int] = field(default_factory=dict)
    laid: Floats = field(init=False)

    @classmethod
    def draw(cls, rng: np.random.Generator, size: tuple[int, int] = (4032, 3024)) -> 'Photographer':
        """Draw a phone and a printer that is wrong by 0.5 % at most."""
        return cls(rng, Phone.draw(rng, size), 1.0 + rng.uniform(-0.005, 0.005))

    def __post_init__(self) -> None:
        """Lay out the sheets, not too carefully."""
        off = np.array([0.02, 0.02, 10.0]) * self.rng.uniform(-1.0, 1.0, (len(LAID), 3))
        self.laid = (np.array(LAID) + off) * [1.0, 1.0, radians(1.0)]

    @cached_property
    def bar_length(self) -> float:
        """As it was measured, m."""
        return float(BAR * self.scale + self.rng.normal(0.0, self.bar))

    def take(self, pose: int, markers: dict[str, tuple[Floats, Floats]], views: int) -> None:
        """Take photographs of a pose, from above and from different sides.

        Parameters
        ----------
        pose
            Its number.
        markers
            Of each leg: attitude (3, 3) and centre (m) of its marker in the ground's frame.
        views
            How many.

        """
        first = self.rng.uniform(0.0, 2.0 * pi)
        for view in range(views):
            way = first + 2.0 * pi * (view + self.rng.uniform(-0.15, 0.15)) / views
            tilt = radians(self.rng.uniform(12.0, 32.0))
            away = self.rng.uniform(0.55, 0.75)
            eye = away * np.array([sin(tilt) * cos(way), sin(tilt) * sin(way), cos(tilt)])
            target = self.rng.uniform(-0.04, 0.04, 3) * [1.0, 1.0, 0.3]
            self._shoot(pose, markers, eye, target)

    def _shoot(
        self, pose: int, markers: dict[str, tuple[Floats, Floats]], eye: Floats, target: Floats
    ) -> None:
        rng, phone = self.rng, self.phone
        turn = pointed(eye, target, rng.choice([0.0, pi / 2]) + rng.normal(0.0, 0.1))
        focal = phone.focal * (1.0 + rng.normal(0.0, phone.focuses))
        sheets = []
        inner = np.arange(1, COLUMNS), np.arange(1, ROWS)
        column, row = (each.ravel() for each in np.meshgrid(*inner))
        across = self.scale * SQUARE * (column - COLUMNS / 2)
        up = self.scale * SQUARE * (ROWS / 2 - row)
        for number, (x, y, yaw) in enumerate(self.laid.tolist(), start=1):
            height = self.bow * (1.0 - (2.0 * across / BAR) ** 2)
            flat = np.stack([across, up, height], axis=-1)
            on_ground = Rotation.from_euler('z', yaw).apply(flat) + np.array([x, y, 0.0])
            pixels = phone.pixels((on_ground - eye) @ turn.T, focal)
            # Feet and shadows hide some.
            kept = phone.inside(pixels) & (rng.random(len(pixels)) > 0.2)
            if kept.any():
                found = pixels[kept] + rng.normal(0.0, self.board, (int(kept.sum()), 2))
                sheets.append(SheetSeen(number, np.flatnonzero(kept), found))
        seen = []
        half = 0.5 * self.scale * FOOT_MARKER
        square = half * np.array([[-1, 1, 0], [1, 1, 0], [1, -1, 0], [-1, -1, 0]])
        for leg, (attitude, centre) in markers.items():
            sight = (eye - centre) / np.linalg.norm(eye - centre)
            pixels = phone.pixels((square @ attitude.T + centre - eye) @ turn.T, focal)
            if sight @ attitude[:, 2] > ASIDE and phone.inside(pixels).all():
                outwards = pixels - pixels.mean(axis=0)
                outwards /= np.linalg.norm(outwards, axis=1)[:, None]
                larger = rng.normal(0.0, 0.5 * self.marker) * outwards
                found = pixels + larger + rng.normal(0.0, self.marker, (4, 2))
                seen.append(MarkerSeen(leg, found))
        name = f'IMG_{len(self.looks):04}.jpg'
        self.looks.append(Look(name, phone.size, tuple(sheets), tuple(seen)))
        self.poses[name] = pose

    def result(self, legs: Sequence[str]) -> PhotoResult:
        """Find the feet, as the package does."""
        return feet_from_looks(self.looks, self.poses, legs, self.bar_length)

    def in_frame(self, point: Floats) -> Floats:
        """Express a point of the ground in the frame in which feet are found, m.

        That of the sheet of which most is seen, as large as the bar is.
        """
        counts = [
            sum(len(each.corners) for look in self.looks for each in look.sheets if each.sheet == k)
            for k in range(1, len(self.laid) + 1)
        ]
        x, y, yaw = self.laid[int(np.argmax(counts))]
        turned: Floats = Rotation.from_euler('z', -yaw).apply(point - np.array([x, y, 0.0]))
        return turned


def pointed(eye: Floats, target: Floats, roll: float) -> Floats:
    """Return the rotation, from ground to camera, of a camera that looks at a target."""
    ahead = (target - eye) / np.linalg.norm(target - eye)
    right = np.cross(ahead, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    level = np.stack([right, np.cross(ahead, right), ahead])
    turned: Floats = Rotation.from_euler('z', roll).as_matrix() @ level
    return turned


def on_tibia(angles: Triple) -> Rotation:
    """Return the attitude of a marker in the frame of the mount, by the angles of the joints, rad.

    It looks along the axis up from the tibia, leaned back towards the knee.
    """
    coxa, femur, tibia = angles
    leg = Rotation.from_euler('z', coxa) * Rotation.from_euler('y', -(femur + tibia))
    return leg * Rotation.from_euler('y', -LEANS)


def marker_somewhere(rng: np.random.Generator, way: float) -> tuple[Floats, Floats]:
    """Draw how a marker stands that looks up and out.

    Parameters
    ----------
    rng
        Draws.
    way
        In which the foot is, from the middle, rad.

    Returns
    -------
    ndarray, ndarray
        Attitude (3, 3) and centre (m) in the ground's frame.

    """
    about = way + rng.uniform(-0.2, 0.2)
    away = rng.uniform(0.16, 0.24)
    centre = np.array([away * cos(about), away * sin(about), rng.uniform(0.02, 0.10)])
    lean = rng.uniform(0.0, 0.5)
    up_and_out = Rotation.from_euler('zyz', [rng.uniform(0.0, 2.0 * pi), lean, about])
    attitude: Floats = up_and_out.as_matrix()
    return attitude, centre
