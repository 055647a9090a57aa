# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Rendered photographs of the printed pages, from files to feet, with what spoils photographs."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import cos, pi, radians, sin
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from leg_kinematics.errors import CommandError
from leg_kinematics.photogrammetry.detection import look_at
from leg_kinematics.photogrammetry.feet import PhotoResult, feet_from_photographs
from leg_kinematics.photogrammetry.layout import BAR
from leg_kinematics.photogrammetry.rigid import Pose
from leg_kinematics.robot import Robot

if TYPE_CHECKING:
    from test.photo_studio import Camera, Printed, Spoilt, Studio, save
    from test.photographer import marker_somewhere, pointed
else:
    from photo_studio import Camera, Printed, Spoilt, Studio, save
    from photographer import marker_somewhere, pointed

Floats = NDArray[np.float64]

#: Where two sheets lie: x, y in m and yaw in rad.
LAID = ((-0.02, 0.24, 0.05), (0.01, -0.25, -0.10))

#: How a photograph is spoilt, drawn anew for each.
Spoiling = Callable[[np.random.Generator], Spoilt]


@dataclass
class Session:
    """Photographs of a robot in a folder, and where its markers were."""

    folder: Path
    printed: Printed
    legs: Sequence[str]
    rng: np.random.Generator
    size: tuple[int, int] = (1600, 1200)
    scale: float = 1.0

    def __post_init__(self) -> None:
        """Draw a lens."""
        width, height = self.size
        middle = np.array([(width - 1) / 2, (height - 1) / 2]) + 0.005 * width * self.rng.normal(
            size=2
        )
        bend = [self.rng.uniform(-0.03, 0.08), self.rng.uniform(-0.08, 0.05), 0.0]
        aside = self.rng.normal(0.0, 0.0004, 2)
        self.lens = np.array([width * self.rng.uniform(0.72, 0.82), *middle, *bend, *aside])
        self.studio = Studio(self.rng, stretch=(self.scale, self.scale))
        self.photographs: dict[str, int] = {}
        self.true: dict[tuple[int, str], Floats] = {}

    def take(self, pose: int, views: int, spoiling: Spoiling) -> None:
        """Take photographs of a new pose from different sides."""
        feet = [marker_somewhere(self.rng, pi / 3 * (k + 0.5)) for k in range(len(self.legs))]
        self.true |= {(pose, leg): centre for leg, (_, centre) in zip(self.legs, feet, strict=True)}
        surfaces = [self.printed.sheet(k + 1, *laid) for k, laid in enumerate(LAID)]
        surfaces += [self.printed.marker(k, Pose(*foot)) for k, foot in enumerate(feet)]
        # Legs hide some of the sheets.
        legs = [(centre, 0.4 * centre + [0.0, 0.0, 0.1], 0.012) for _, centre in feet]
        first = self.rng.uniform(0.0, 2.0 * pi)
        for view in range(views):
            way = first + 2.0 * pi * (view + self.rng.uniform(-0.1, 0.1)) / views
            tilt, away = radians(self.rng.uniform(12.0, 32.0)), self.rng.uniform(0.55, 0.70)
            eye = away * np.array([sin(tilt) * cos(way), sin(tilt) * sin(way), cos(tilt)])
            turn = pointed(eye, self.rng.uniform(-0.03, 0.03, 3), self.rng.choice([0.0, pi / 2]))
            lens = self.lens * [1.0 + self.rng.normal(0.0, 0.003), *[1.0] * 7]
            spoilt = spoiling(self.rng)
            camera = Camera(self.size, lens, Pose(turn, -turn @ eye))
            picture = self.studio.take(camera, surfaces, spoilt, legs)
            name = f'IMG_{len(self.photographs):04}.jpg'
            save(picture, self.folder / name, spoilt.quality)
            self.photographs[name] = pose

    def result(self) -> PhotoResult:
        """Find the feet."""
        length = BAR * self.scale
        return feet_from_photographs(self.folder, self.photographs, self.legs, length)

    def off(self, result: PhotoResult) -> dict[tuple[int, str], Floats]:
        """Return by how much feet are wrong, m, once the sheet of the frame is found by them.

        Which of both sheets it is that the frame belongs to is not told; it is the nearer one.
        """
        frames = []
        for x, y, yaw in LAID:
            there = Rotation.from_euler('z', -yaw)
            frames.append(
                {
                    key: np.subtract(foot.position, there.apply(self.true[key] - [x, y, 0.0]))
                    for key, foot in result.feet.items()
                }
            )
        return min(frames, key=lambda each: float(np.linalg.norm(list(each.values()))))


@pytest.fixture(scope='module')
def printed(sheets_file: Path, bracken: Robot) -> Printed:
    """Rasterise the pages."""
    return Printed.of(sheets_file, len(LAID), len(bracken.legs))


def usual(_: np.random.Generator) -> Spoilt:
    """Return what no photograph is without."""
    return Spoilt()


def test_feet_of_rendered_photographs(printed: Printed, bracken: Robot, tmp_path: Path) -> None:
    """Two megapixels, a print 0.4 % too large, four photographs: feet seen twice, in mm."""
    session = Session(tmp_path, printed, bracken.leg_names, np.random.default_rng(2), scale=1.004)
    for pose in (1, 2):
        session.take(pose, 2, usual)
    result = session.result()
    assert all(note.used for note in result.photographs)
    twice = [key for key, foot in result.feet.items() if foot.views == 2]
    assert len(twice) >= 9
    wrong = session.off(result)
    lengths = np.array([1e3 * np.linalg.norm(wrong[key]) for key in twice])
    assert np.median(lengths) < 0.06
    assert lengths.max() < 0.25


@pytest.mark.parametrize(
    ('spoilt', 'words'),
    [
        (Spoilt(blur=2.2), 'blurred over 2.'),
        (Spoilt(exposure=0.28), 'too dark: bring more light'),
        (Spoilt(exposure=2.2), 'burnt out: take it with less light'),
        (Spoilt(blur=14.0), 'No corner of a sheet is found'),
    ],
)
def test_what_spoils_a_photograph_is_told(
    printed: Printed, bracken: Robot, tmp_path: Path, spoilt: Spoilt, words: str
) -> None:
    """Blurred over a little or a lot, too dark, and burnt out."""
    session = Session(tmp_path, printed, bracken.leg_names, np.random.default_rng(3), (1500, 1125))
    session.take(1, 1, lambda _: spoilt)
    (note,) = session.result().photographs
    assert words in note.words


def test_the_way_a_phone_was_held_does_not_matter(
    printed: Printed, bracken: Robot, tmp_path: Path
) -> None:
    """A note to turn the picture (Exif 2.3, orientation 6) leaves the pixels where they were."""
    session = Session(tmp_path, printed, bracken.leg_names, np.random.default_rng(4), (1200, 900))
    session.take(1, 1, usual)
    file = tmp_path / 'IMG_0000.jpg'
    plain = look_at(file, bracken.leg_names)
    data = file.read_bytes()
    tag = b'\x01\x12\x00\x03\x00\x00\x00\x01\x00\x06\x00\x00'
    exif = b'Exif\x00\x00MM\x00\x2a\x00\x00\x00\x08\x00\x01' + tag + b'\x00\x00\x00\x00'
    block = b'\xff\xe1' + (len(exif) + 2).to_bytes(2, 'big') + exif
    file.write_bytes(data[:2] + block + data[2:])
    # OpenCV itself would turn it.
    assert np.asarray(cv2.imread(str(file))).shape == (1200, 900, 3)
    turned = look_at(file, bracken.leg_names)
    assert turned.size == (1200, 900)
    assert [each.pixels.tolist() for each in turned.markers] == [
        each.pixels.tolist() for each in plain.markers
    ]


def test_files_that_are_no_pictures(tmp_path: Path) -> None:
    """A photograph as some phones take it, an empty file, and none: what to do."""
    for name, content in (('a.heic', b'\x00\x00\x00\x18ftypheic'), ('b.jpg', b'')):
        (tmp_path / name).write_bytes(content)
        with pytest.raises(CommandError, match=f'{name} cannot be read as a picture: JPEG and PNG'):
            look_at(tmp_path / name, [])
    result = feet_from_photographs(tmp_path, {'a.heic': 1, 'none.jpg': 1}, ['left'], BAR)
    heic, none = result.photographs
    assert 'most compatible' in heic.words
    assert 'none.jpg cannot be read: No such file' in none.words


def of_any_kind(rng: np.random.Generator) -> Spoilt:
    """Draw a photograph as people take them, some of which are bad."""
    glare = tuple(
        (rng.uniform(), rng.uniform(), rng.uniform(0.01, 0.05)) for _ in range(rng.poisson(0.7))
    )
    return Spoilt(
        blur=rng.uniform(0.5, 1.6),
        shake=rng.choice([0.0, 0.0, rng.uniform(0.0, 4.0)]),
        noise=rng.uniform(1.0, 7.0),
        exposure=rng.uniform(0.5, 1.35),
        glare=glare,
        quality=int(rng.integers(75, 97)),
    )


@pytest.mark.soak
@pytest.mark.parametrize(
    ('size', 'poses', 'bounds'),
    [
        ((1600, 1200), 6, (0.10, 0.40)),
        ((2592, 1944), 4, (0.06, 0.25)),
        ((4032, 3024), 4, (0.05, 0.20)),
    ],
)
def test_photographs_of_any_kind(
    *,
    printed: Printed,
    bracken: Robot,
    tmp_path: Path,
    size: tuple[int, int],
    poses: int,
    bounds: tuple[float, float],
) -> None:
    """Glare, shake, noise, strong compression, wrong exposure: feet seen twice, in mm.

    Bounds are our own; of the regions that hold 95 % some may be too narrow where glare lies on a
    marker, so that 88 % have to hold.
    """
    lengths, squares, missing = [], [], 0
    for seed in range(4):
        folder = tmp_path / str(seed)
        folder.mkdir()
        rng = np.random.default_rng(100 + seed)
        session = Session(folder, printed, bracken.leg_names, rng, size)
        for pose in range(1, poses + 1):
            session.take(pose, 2, of_any_kind)
        result = session.result()
        missing += len(session.true) - len(result.feet)
        for key, wrong in session.off(result).items():
            foot = result.feet[key]
            squares.append(wrong @ np.linalg.solve(np.array(foot.covariance), wrong))
            if foot.views == 2:
                lengths.append(1e3 * float(np.linalg.norm(wrong)))
    print(  # noqa: T201 - with pytest -s
        f'{size}: {len(lengths)} feet seen twice, median {np.median(lengths):.3f}, 95 % '
        f'{np.percentile(lengths, 95):.3f}, largest {max(lengths):.3f} mm; {missing} not seen; '
        f'{100.0 * np.mean(np.array(squares) < 7.814728):.0f} % in their regions of 95 %'
    )
    assert np.median(lengths) < bounds[0]
    assert np.percentile(lengths, 95.0) < bounds[1]
    assert np.mean(np.array(squares) < 7.814728) > 0.88
