# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""From photographs to where the foot markers were, and how far that is known.

All photographs are of one placement: the robot's body and the sheets stay where they are, and the
ground has the frame of the sheet of which most is seen. Sheets and cameras are adjusted first, then
everything.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from leg_kinematics.calibration.foot_readings import Triple
from leg_kinematics.errors import CommandError
from leg_kinematics.photogrammetry import photograph_words as words
from leg_kinematics.photogrammetry.bundle import Solution, adjust
from leg_kinematics.photogrammetry.detection import look_at
from leg_kinematics.photogrammetry.first_estimates import LEAST_CORNERS, Start, first_estimates
from leg_kinematics.photogrammetry.foot_views import FootViews, place_feet
from leg_kinematics.photogrammetry.layout import BAR
from leg_kinematics.photogrammetry.look import Look
from leg_kinematics.photogrammetry.marker_pose import SAME
from leg_kinematics.photogrammetry.scene import Scene, Sightings

Floats = NDArray[np.float64]

#: What paper that is not quite flat, and ground, leave of every coordinate, m (our own).
PAPER = 0.05e-3

#: Photographs of one foot that leave more than this over do not show it in one place, px; or this
#: many times how well the corners of sheets were found.
MOST_APART, TIMES_APART = 1.5, 8.0

#: A photograph whose corners of sheets are farther from where they should be does not fit, px.
MISFIT = 1.5

#: A second way in which a marker may stand cannot be told from the first one when it is worse by no
#: more than this: chi-square, 1 degree of freedom, 99 % (scipy).
AMBIGUOUS = 6.634897

#: A foot that is known better than this needs no more photographs, m.
GOOD = 0.15e-3


@dataclass(frozen=True)
class FootPlace:
    """Where the marker of a foot was.

    Attributes
    ----------
    position
        Of its centre, in the ground's frame, z up, m.
    covariance
        Of `position`, m². The length of the bar is taken for exact there: an error of 0.2 mm makes
        the whole scene larger or smaller by 0.08 %.
    views
        How many photographs it comes from.

    """

    position: Triple
    covariance: tuple[Triple, Triple, Triple]
    views: int

    @property
    def spread(self) -> float:
        """Return the standard deviation in the direction that is known worst, m."""
        return float(np.sqrt(np.linalg.eigvalsh(np.array(self.covariance))[-1]))


@dataclass(frozen=True)
class PhotographNote:
    """What became of a photograph.

    Attributes
    ----------
    file
        Its name.
    used
        Whether anything in it was.
    words
        What it shows and how it helps, or why it does not; a sentence or two.

    """

    file: str
    used: bool
    words: str


@dataclass(frozen=True)
class PhotoResult:
    """What photographs tell.

    Attributes
    ----------
    feet
        Of each pose and leg: where its marker was. Markers that no photograph shows are not there.
    photographs
        A note for each, in the order in which they were given.
    advice
        Which photographs would help, in sentences.

    """

    feet: Mapping[tuple[int, str], FootPlace]
    photographs: tuple[PhotographNote, ...]
    advice: tuple[str, ...]


def feet_from_photographs(
    folder: Path, photographs: Mapping[str, int], legs: Sequence[str], bar_length: float
) -> PhotoResult:
    """Find the feet in photographs.

    Parameters
    ----------
    folder
        Where they are.
    photographs
        Of each file the number of the pose that it shows.
    legs
        Names of all legs, in the order of the robot's description.
    bar_length
        Of the bar on a printed sheet, as measured, m.

    """
    looks, refused = [], {}
    for file in photographs:
        try:
            looks.append(look_at(folder / file, legs))
        except CommandError as error:
            refused[file] = f'{error}.'
    result = feet_from_looks(looks, photographs, legs, bar_length)
    notes = {note.file: note for note in result.photographs}
    notes |= {file: PhotographNote(file, used=False, words=why) for file, why in refused.items()}
    return replace(result, photographs=tuple(notes[file] for file in photographs))


def feet_from_looks(
    looks: Sequence[Look], poses: Mapping[str, int], legs: Sequence[str], bar_length: float
) -> PhotoResult:
    """Find the feet in photographs that were looked at; see `feet_from_photographs`."""
    scale = bar_length / BAR
    fitted = _fitted_sheets(looks, scale)
    notes = {look.file: _unused(look) for look in looks}
    if fitted is None:
        return PhotoResult({}, tuple(notes.values()), (words.NO_SHEET,))
    start, of_sheets, used, misfits = fitted
    notes |= {file: PhotographNote(file, used=False, words=words.MISFIT) for file in misfits}
    most = max(MOST_APART, TIMES_APART * float(np.median(of_sheets.sigmas)))
    kept, apart = place_feet(of_sheets.scene, used, poses, most)
    solution = _with_feet(of_sheets.scene, start, kept)
    spreads = solution.of_centres()
    places = _places(solution, kept, spreads)
    for index, look in enumerate(used):
        notes[look.file] = PhotographNote(
            look.file,
            used=True,
            words=words.of_used(
                look,
                float(np.median(solution.sigmas[solution.seen.photograph == index])),
                [key[1] for key, files in apart.items() if look.file in files],
                _helped(solution, index, kept, spreads),
            ),
        )
    known = {key: (place.spread, place.views) for key, place in places.items()}
    posed = sorted(set(poses.values()))
    return PhotoResult(
        feet=places,
        photographs=tuple(notes.values()),
        advice=words.advice(known, apart, posed, legs, GOOD),
    )


def _fitted_sheets(
    looks: Sequence[Look], scale: float
) -> tuple[Start, Solution, list[Look], list[str]] | None:
    """Adjust cameras and sheets, and leave out photographs that do not fit the others, worst first.

    Returns
    -------
    tuple or None
        First estimates, what became of them, the photographs in it, and the files left out; None
        where no sheet is seen well enough.

    """
    misfits: list[str] = []
    while True:
        rest = [look for look in looks if look.file not in misfits]
        start = first_estimates(rest, scale)
        if start is None:
            return None
        solution = adjust(start.scene, start.seen, start.widths)
        used = [rest[place] for place in start.photographs]
        sigmas = [
            float(np.median(solution.sigmas[start.seen.photograph == index]))
            for index in range(len(used))
        ]
        worst = int(np.argmax(sigmas))
        if len(used) == 1 or sigmas[worst] <= MISFIT:
            return start, solution, used, misfits
        misfits.append(used[worst].file)


def _unused(look: Look) -> PhotographNote:
    return PhotographNote(look.file, used=False, words=words.of_unused(look, LEAST_CORNERS))


def _with_feet(scene: Scene, start: Start, kept: Sequence[FootViews]) -> Solution:
    """Adjust everything; a marker that turns out to stand the other way is turned, once."""
    rows = [start.seen] + [
        Sightings.of_foot(index, marker, pixels)
        for marker, foot in enumerate(kept)
        for index, pixels in foot.pixels.items()
    ]
    seen = Sightings.together(rows)
    solution = adjust(_standing(scene, kept), seen, start.widths)
    now = _standing(solution.scene, kept).attitudes
    turned = Rotation.from_matrix(now) * Rotation.from_matrix(solution.scene.attitudes).inv()
    if np.any(turned.magnitude() > SAME):
        solution = adjust(_standing(solution.scene, kept), seen, start.widths)
    return solution


def _standing(scene: Scene, kept: Sequence[FootViews]) -> Scene:
    """Let each marker stand as its views tell best."""
    poses = [foot.ways(scene)[0].pose for foot in kept]
    return replace(
        scene,
        attitudes=np.array([pose.turn for pose in poses]).reshape(-1, 3, 3),
        centres=np.array([pose.shift for pose in poses]).reshape(-1, 3),
    )


def _places(
    solution: Solution, kept: Sequence[FootViews], spreads: Floats
) -> dict[tuple[int, str], FootPlace]:
    """Return where the markers are; where two ways to stand are as likely, both are covered."""
    places = {}
    for marker, (foot, spread) in enumerate(zip(kept, spreads, strict=True)):
        centre = solution.scene.centres[marker]
        covariance = spread + PAPER**2 * np.eye(3)
        variance = float(np.median(solution.sigmas[solution.seen.marker == marker])) ** 2
        best, *others = foot.ways(solution.scene)
        for other in others:
            if (other.squares - best.squares) / variance < AMBIGUOUS:
                # Both are as likely.
                away = other.pose.shift - best.pose.shift
                covariance = covariance + 0.5 * np.outer(away, away)
        places[foot.pose, foot.leg] = FootPlace(
            position=_triple(centre),
            covariance=(_triple(covariance[0]), _triple(covariance[1]), _triple(covariance[2])),
            views=len(foot.pixels),
        )
    return places


def _helped(
    solution: Solution, photograph: int, kept: Sequence[FootViews], spreads: Floats
) -> tuple[float, float, int, str] | None:
    """Tell which foot a photograph helps most.

    Returns
    -------
    tuple or None
        How well the foot is known, m, how well it would be known without the photograph, the pose
        and the leg; None where the photograph shows no foot.

    """
    shown = [marker for marker, foot in enumerate(kept) if photograph in foot.pixels]
    if not shown:
        return None
    with_it, without = (
        np.sqrt(np.linalg.eigvalsh(each)[:, -1])
        for each in (spreads, solution.of_centres(photograph))
    )
    most = max(shown, key=lambda marker: without[marker] / with_it[marker])
    return float(with_it[most]), float(without[most]), kept[most].pose, kept[most].leg


def _triple(values: Floats) -> Triple:
    x, y, z = (float(value) for value in values)
    return (x, y, z)
