# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What photographs show, and all that is unknown about it: cameras, sheets, markers and the print.

The ground has the frame of the first sheet, z up. A camera has x to the right, y down and z ahead.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from leg_kinematics.photogrammetry.camera import project
from leg_kinematics.photogrammetry.layout import corner_places, marker_places

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

#: Unknowns of the print: how much more it is stretched up the page than across, and how much larger
#: the black of a foot marker comes out, both relative.
PRINT: Final = 2


@dataclass(frozen=True)
class Sightings:
    """Corners that were found in photographs, as columns of the same length.

    Attributes
    ----------
    photograph
        Which one, counted from 0.
    sheet, marker
        Of which sheet or which foot marker the corner is, counted from 0; the other is -1.
    place
        Where it is on what is printed, as described, m, shape (n, 2).
    pixel
        Where it was found, shape (n, 2).

    """

    photograph: Places
    sheet: Places
    marker: Places
    place: Floats
    pixel: Floats

    @classmethod
    def of_sheet(cls, photograph: int, sheet: int, corners: Places, pixels: Floats) -> 'Sightings':
        """Take corners of one sheet, by their numbers, in one photograph."""
        same = np.ones(len(corners), dtype=np.intp)
        return cls(photograph * same, sheet * same, -same, corner_places()[corners], pixels)

    @classmethod
    def of_foot(cls, photograph: int, marker: int, pixels: Floats) -> 'Sightings':
        """Take the corners of one foot marker in one photograph."""
        same = np.ones(4, dtype=np.intp)
        return cls(photograph * same, -same, marker * same, marker_places(), pixels)

    @classmethod
    def together(cls, parts: Sequence['Sightings']) -> 'Sightings':
        """Join columns, of at least one part."""
        return cls(
            np.concatenate([part.photograph for part in parts]),
            np.concatenate([part.sheet for part in parts]),
            np.concatenate([part.marker for part in parts]),
            np.concatenate([part.place for part in parts]),
            np.concatenate([part.pixel for part in parts]),
        )

    def __len__(self) -> int:
        """Return how many."""
        return len(self.photograph)

    @property
    def of_marker(self) -> NDArray[np.bool_]:
        """Tell which are corners of foot markers."""
        return self.marker >= 0


@dataclass(frozen=True)
class Scene:
    """Where everything is.

    Attributes
    ----------
    camera
        Of each photograph: which camera took it.
    lenses
        Of each camera, shape (cameras, LENS); see `camera`.
    focus
        Of each photograph: by how much its focal length is longer than that of its camera,
        relative, since a lens that focuses changes it.
    turns, shifts
        Of each photograph, from the ground to its camera: shapes (photographs, 3, 3) and
        (photographs, 3), m.
    sheets
        Of each sheet x, y (m) and yaw (rad) on the ground; the first is all zeros.
    attitudes, centres
        Of each foot marker, from its frame to the ground: shapes (markers, 3, 3) and (markers, 3),
        m.
    print
        See `PRINT`.
    scale
        How much larger than described it came out across the page, where the bar is; measured.

    """

    camera: Places
    lenses: Floats
    focus: Floats
    turns: Floats
    shifts: Floats
    sheets: Floats
    attitudes: Floats
    centres: Floats
    print: Floats
    scale: float

    def points(self, seen: Sightings) -> Floats:
        """Return where the corners are on the ground's frame, m, shape (n, 3)."""
        flat = self.printed(seen)
        points = np.zeros((len(seen), 3))
        on_sheet = ~seen.of_marker
        x, y, yaw = self.sheets[seen.sheet[on_sheet]].T
        c, s = np.cos(yaw), np.sin(yaw)
        u, v = flat[on_sheet].T
        points[on_sheet, 0] = c * u - s * v + x
        points[on_sheet, 1] = s * u + c * v + y
        which = seen.marker[seen.of_marker]
        turned = np.einsum('nij,nj->ni', self.attitudes[which][:, :, :2], flat[seen.of_marker])
        points[seen.of_marker] = turned + self.centres[which]
        return points

    def printed(self, seen: Sightings) -> Floats:
        """Return where the corners are on the paper in truth, m, shape (n, 2)."""
        stretch, growth = self.print
        grown = 1.0 + np.where(seen.of_marker, growth, 0.0)
        scales = np.array([self.scale, self.scale * (1.0 + stretch)])
        printed: Floats = seen.place * grown[:, None] * scales
        return printed

    def before_camera(self, seen: Sightings, points: Floats) -> Floats:
        """Return points of the ground's frame in those of the cameras, m, shape (n, 3)."""
        turned: Floats = np.einsum('nij,nj->ni', self.turns[seen.photograph], points)
        return turned + self.shifts[seen.photograph]

    def lenses_of(self, seen: Sightings) -> Floats:
        """Return the lens through which each corner was seen, shape (n, LENS)."""
        lenses = self.lenses[self.camera[seen.photograph]].copy()
        lenses[:, 0] *= 1.0 + self.focus[seen.photograph]
        return lenses

    def pixels(self, seen: Sightings) -> Floats:
        """Return where the corners should be found, shape (n, 2)."""
        return project(self.before_camera(seen, self.points(seen)), self.lenses_of(seen))

    def distances(self, seen: Sightings) -> Floats:
        """Return how far the corners are before the cameras, m, shape (n,)."""
        return self.before_camera(seen, self.points(seen))[:, 2]

    def moved(self, step: Floats) -> 'Scene':
        """Change all unknowns by a step, in the order of `Columns`."""
        columns = Columns.of(self)

        def part(column: Places) -> Floats:
            return step[column.ravel()].reshape(column.shape)

        photographs, markers = part(columns.photographs), part(columns.markers)
        sheets = self.sheets.copy()
        sheets[1:] += part(columns.sheets)
        return replace(
            self,
            lenses=self.lenses + part(columns.lenses),
            focus=self.focus + part(columns.focus),
            turns=Rotation.from_rotvec(photographs[:, :3]).as_matrix() @ self.turns,
            shifts=self.shifts + photographs[:, 3:],
            sheets=sheets,
            attitudes=Rotation.from_rotvec(markers[:, :3]).as_matrix() @ self.attitudes,
            centres=self.centres + markers[:, 3:],
            print=self.print + part(columns.print),
        )


@dataclass(frozen=True)
class Columns:
    """Which columns of the Jacobian belong to what: a row for each lens, photograph and so on.

    A rotation has three: a small turn about the axes of the frame into which it leads.
    """

    lenses: Places
    focus: Places
    photographs: Places
    sheets: Places
    markers: Places
    print: Places
    total: int

    @classmethod
    def of(cls, scene: Scene) -> 'Columns':
        """Count the unknowns of a scene; the first sheet has none."""
        shapes = (
            scene.lenses.shape,
            scene.focus.shape,
            (len(scene.turns), 6),
            (len(scene.sheets) - 1, 3),
            (len(scene.centres), 6),
            (PRINT,),
        )
        ends = np.cumsum([int(np.prod(shape)) for shape in shapes])
        starts = np.concatenate([[0], ends[:-1]])
        lenses, focus, photographs, sheets, markers, printed = (
            np.arange(start, end).reshape(shape)
            for start, end, shape in zip(starts, ends, shapes, strict=True)
        )
        return cls(lenses, focus, photographs, sheets, markers, printed, int(ends[-1]))
