# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A camera that is known to the last digit takes photographs of the printed pages.

The pages are rasterised from the PDF by PDFium, laid on a table or held up as foot markers, and
seen through a lens with distortion. Each pixel is the mean of some rays. Then comes what spoils a
photograph: light, shadow and glare, blur, noise and compression.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
from numpy.typing import NDArray

from leg_kinematics.photogrammetry.camera import project
from leg_kinematics.photogrammetry.rigid import Pose

Floats = NDArray[np.float64]
Picture = NDArray[np.float32]

#: Of the pages as they are rasterised.
PIXELS_PER_MM = 10.0

#: PDFium takes whole pixels, and stretches a page over one that is hardly begun.
WHOLE = 1.0 - 1e-6

#: Of a page, m.
WIDTH, HEIGHT = 0.297, 0.210

#: Middle of the board on its page, and of the first foot marker on its page, m.
BOARD_MIDDLE = (0.1485, 0.114)
FIRST_MARKER = (0.0425, 0.164)

#: From foot marker to foot marker of another leg, and the cut square, m.
NEXT, CUT = 0.080, 0.020

#: Between undistorted coordinates that are worked out, in fine pixels; they are linear between.
STEP = 8

#: How dark ink and how bright paper is, of 255.
INK, PAPER = 28.0, 215.0


@dataclass(frozen=True)
class Spoilt:
    """What is done to a photograph.

    Attributes
    ----------
    blur
        Standard deviation of a Gaussian, px.
    shake
        Length of the way the picture moves while it is exposed, px.
    noise
        Standard deviation, of 255.
    exposure
        Factor; from 1.2 on paper is burnt out.
    glare
        Shining spots: x, y in parts of the picture, radius in parts of its width.
    quality
        Of JPEG.

    """

    blur: float = 0.8
    shake: float = 0.0
    noise: float = 3.0
    exposure: float = 1.0
    glare: tuple[tuple[float, float, float], ...] = ()
    quality: int = 92


@dataclass(frozen=True)
class Camera:
    """A camera where it is: size in px, lens (see `camera`), and the pose from ground to it."""

    size: tuple[int, int]
    lens: Floats
    pose: Pose


@dataclass(frozen=True)
class Surface:
    """A piece of printed paper in space.

    Attributes
    ----------
    texture
        Grey, `PIXELS_PER_MM`.
    middle
        Where its origin is in it, from its lower left corner, m.
    pose
        To the ground's frame.

    """

    texture: NDArray[np.uint8]
    middle: tuple[float, float]
    pose: Pose

    @property
    def lies(self) -> bool:
        """Whether it lies on the ground, below all else."""
        return bool(self.pose.shift[2] == 0.0)


@dataclass(frozen=True)
class Printed:
    """Rasterised pages of a robot with `sheets` floor sheets and one page of foot markers."""

    floor: tuple[NDArray[np.uint8], ...]
    feet: tuple[NDArray[np.uint8], ...]

    @classmethod
    def of(cls, file: Path, sheets: int, legs: int) -> 'Printed':
        """Rasterise a file; the two markers of each leg lie beside each other, six in a row."""
        with pypdfium2.PdfDocument(file) as pdf:
            pages = [
                page.render(scale=WHOLE * PIXELS_PER_MM * 25.4 / 72, grayscale=True)
                .to_numpy()
                .copy()
                for page in pdf
            ]
        pages = [page.reshape(page.shape[:2]) for page in pages]
        feet = []
        for leg in range(legs):
            x = FIRST_MARKER[0] + NEXT * (leg % 3)
            y = HEIGHT - FIRST_MARKER[1] + NEXT / 2 * (leg // 3)
            half = round(500.0 * CUT * PIXELS_PER_MM)
            row, column = round(1e3 * y * PIXELS_PER_MM), round(1e3 * x * PIXELS_PER_MM)
            feet.append(pages[sheets][row - half : row + half, column - half : column + half])
        return cls(tuple(pages[:sheets]), tuple(feet))

    def sheet(self, number: int, x: float, y: float, yaw: float) -> Surface:
        """Lay a sheet, counted from 1, with the middle of its board at a place on the ground."""
        c, s = np.cos(yaw), np.sin(yaw)
        turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        pose = Pose(turn, np.array([x, y, 0.0]))
        return Surface(self.floor[number - 1], BOARD_MIDDLE, pose)

    def marker(self, leg: int, pose: Pose) -> Surface:
        """Hold up the marker of a leg, counted from 0."""
        return Surface(self.feet[leg], (CUT / 2, CUT / 2), pose)


@dataclass
class Studio:
    """Takes photographs.

    Attributes
    ----------
    stretch
        How much larger than described the print came out, along and up the page.
    rays
        Along each side of a pixel.

    """

    random: np.random.Generator
    stretch: tuple[float, float] = (1.0, 1.0)
    rays: int = 2
    table: NDArray[np.float32] = field(init=False)

    def __post_init__(self) -> None:
        """Make a table with a grain."""
        coarse = self.random.normal(120.0, 18.0, (40, 54)).astype(np.float32)
        self.table = coarse

    def take(
        self,
        camera: Camera,
        surfaces: Sequence[Surface],
        spoilt: Spoilt,
        bars: Sequence[tuple[Floats, Floats, float]] = (),
    ) -> NDArray[np.uint8]:
        """Take a photograph.

        Parameters
        ----------
        camera
            Where it is.
        surfaces
            What hides comes after what is hidden.
        spoilt
            What is wrong with it.
        bars
            Dark bars between two points of the ground's frame, of a width in m: legs, which hide
            sheets.

        """
        width, height = camera.size
        fine = (width * self.rays, height * self.rays)
        picture = _grey(cv2.resize(self.table, fine, interpolation=cv2.INTER_CUBIC))
        for surface in surfaces:
            if surface.lies:
                self._paint(picture, camera, surface)
        for start, end, thick in bars:
            self._bar(picture, camera, start, end, thick)
        for surface in surfaces:
            if not surface.lies:
                self._paint(picture, camera, surface)
        mean = _grey(cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA))
        return self._spoil(mean, spoilt)

    def _paint(self, picture: Picture, camera: Camera, surface: Surface) -> None:
        """Paint a surface where it is seen."""
        tall, wide = surface.texture.shape
        scale = 1e3 * PIXELS_PER_MM
        # From places on the paper as described, in m and from its origin, to the camera.
        across, up = (
            camera.pose.turn @ surface.pose.turn[:, axis] * self.stretch[axis] for axis in (0, 1)
        )
        middle = camera.pose.turn @ surface.pose.shift + camera.pose.shift
        edge = np.linspace(0.0, 1.0, 12)
        rim = (
            np.concatenate(
                [
                    np.stack([edge, 0 * edge], 1),
                    np.stack([edge, 0 * edge + 1], 1),
                    np.stack([0 * edge, edge], 1),
                    np.stack([0 * edge + 1, edge], 1),
                ]
            )
            * [wide / scale, tall / scale]
            - surface.middle
        )
        points = middle + rim[:, :1] * across + rim[:, 1:] * up
        if np.any(points[:, 2] < 0.05):
            return
        found = project(points, np.tile(camera.lens, (len(points), 1)))
        rays = self.rays
        low = np.maximum(np.floor(found.min(axis=0)).astype(int) * rays, 0)
        high = np.minimum(
            np.ceil(found.max(axis=0)).astype(int) * rays + rays,
            [picture.shape[1], picture.shape[0]],
        )
        if np.any(low >= high):
            return
        x, y = _undistorted(camera.lens, low, high, rays)
        # The plane: middle + a across + b up = depth (x, y, 1), solved for (a, b) by homography.
        inverse = np.linalg.inv(np.stack([across, up, middle], axis=1))
        a, b, c = ((row[0] * x + row[1] * y + row[2]).astype(np.float32) for row in inverse)
        column = (a / c + surface.middle[0]) * scale - 0.5
        row = tall - (b / c + surface.middle[1]) * scale - 0.5
        # One fine pixel covers so many of the texture's.
        size = scale * float(middle[2]) / (float(camera.lens[0]) * rays)
        texture = surface.texture.astype(np.float32)
        if size > 1.5:
            texture = _grey(cv2.GaussianBlur(texture, (0, 0), 0.4 * size))
        ink = cv2.remap(
            texture, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        ).astype(np.float32)
        inside = (column > -0.5) & (column < wide - 0.5) & (row > -0.5) & (row < tall - 0.5)
        window = picture[low[1] : high[1], low[0] : high[0]]
        window[inside] = INK + ink[inside] * ((PAPER - INK) / 255.0)

    def _bar(
        self, picture: Picture, camera: Camera, start: Floats, end: Floats, thick: float
    ) -> None:
        points = np.array([start, end]) @ camera.pose.turn.T + camera.pose.shift
        if np.any(points[:, 2] < 0.05):
            return
        found = project(points, np.tile(camera.lens, (2, 1))) * self.rays
        wide = max(1, round(float(camera.lens[0] * thick / points[:, 2].mean()) * self.rays))
        ends = [tuple(int(value) for value in each) for each in found]
        cv2.line(picture, ends[0], ends[1], 50.0, wide)

    def _spoil(self, picture: Picture, spoilt: Spoilt) -> NDArray[np.uint8]:
        height, width = picture.shape
        y, x = np.mgrid[0:height, 0:width].astype(np.float32) / np.float32(width)
        way = self.random.uniform(0.0, 2.0 * np.pi)
        shade = 1.0 + 0.15 * ((x - 0.5) * np.cos(way) + (y - 0.4) * np.sin(way))
        shade -= 0.25 * ((x - 0.5) ** 2 + (y - 0.4) ** 2)
        light = picture * shade.astype(np.float32) * np.float32(spoilt.exposure)
        for across, down, radius in spoilt.glare:
            away = (x - across) ** 2 + (y - down * height / width) ** 2
            light += 260.0 * np.exp(-0.5 * away / radius**2).astype(np.float32)
        if spoilt.blur > 0.0:
            light = cv2.GaussianBlur(light, (0, 0), spoilt.blur)
        if spoilt.shake > 0.0:
            light = cv2.filter2D(light, -1, _streak(spoilt.shake, way))
        light += self.random.normal(0.0, spoilt.noise, light.shape).astype(np.float32)
        rounded: NDArray[np.uint8] = np.clip(np.rint(light), 0, 255).astype(np.uint8)
        return rounded


def save(picture: NDArray[np.uint8], file: Path, quality: int = 92) -> None:
    """Write a JPEG."""
    coded, data = cv2.imencode('.jpg', picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    assert coded
    file.write_bytes(data.tobytes())


def _grey(picture: object) -> Picture:
    """Say what OpenCV's types do not."""
    return np.asarray(picture, dtype=np.float32)


def _streak(length: float, way: float) -> Floats:
    """Return the trace of a picture that moves evenly along a line."""
    size = int(np.ceil(length)) | 1
    size += 2
    kernel = np.zeros((size, size))
    middle = size // 2
    for along in np.linspace(-length / 2, length / 2, 50):
        x, y = middle + along * np.cos(way), middle + along * np.sin(way)
        column, row = int(np.floor(x)), int(np.floor(y))
        for dx, dy in ((0, 0), (1, 0), (0, 1), (1, 1)):
            share = (1 - abs(x - column - dx)) * (1 - abs(y - row - dy))
            kernel[row + dy, column + dx] += share
    kernel /= kernel.sum()
    return kernel


def _undistorted(
    lens: Floats, low: NDArray[np.intp], high: NDArray[np.intp], rays: int
) -> tuple[Floats, Floats]:
    """Return the undistorted x and y of all fine pixels of a window, shape (rows, columns)."""
    columns = np.arange(low[0], high[0] + 2 * STEP, STEP)
    rows = np.arange(low[1], high[1] + 2 * STEP, STEP)
    pixels = np.stack(np.meshgrid(columns, rows), axis=-1).reshape(-1, 2)
    wanted = ((pixels + 0.5) / rays - 0.5 - lens[1:3]) / lens[0]
    plain = np.concatenate([[1.0, 0.0, 0.0], lens[3:]])
    many = np.tile(plain, (len(wanted), 1))
    found = wanted.copy()
    for _ in range(12):
        ahead = np.pad(found, ((0, 0), (0, 1)), constant_values=1.0)
        found += wanted - project(ahead, many)
    coarse = found.reshape(len(rows), len(columns), 2)
    wide, tall = high - low
    across, place = np.modf(np.arange(wide) / STEP)
    left = place.astype(int)
    between = (
        coarse[:, left] * (1.0 - across)[None, :, None]
        + coarse[:, left + 1] * across[None, :, None]
    ).astype(np.float32)
    down, place = np.modf(np.arange(tall) / STEP)
    top = place.astype(int)
    weight = down.astype(np.float32)[:, None, None]
    full = between[top] * (1.0 - weight) + between[top + 1] * weight
    return full[:, :, 0], full[:, :, 1]
