# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Photographs as they come into a folder, and what they show of the feet of a robot."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

from leg_kinematics.calibration.foot_readings import (
    BarMeasured,
    FootEntry,
    LegPosed,
    PhotographTaken,
)
from leg_kinematics.errors import CommandError
from leg_kinematics.identification.evidence import FootSeen
from leg_kinematics.identification.working_out import Markers, MarkersSeen
from leg_kinematics.robot import Robot

if TYPE_CHECKING:
    from leg_kinematics.photogrammetry.feet import PhotoResult


#: A file that has not grown for so long is whole, s.
WHOLE_AFTER = 0.5


class PhotographFolder:
    """The photographs in a folder, and whether they are whole or still being copied.

    Parameters
    ----------
    folder
        Where they come.
    clock
        Tells the time, s.

    """

    def __init__(self, folder: Path, clock: Callable[[], float] = monotonic) -> None:
        """Look at it for the first time."""
        self._folder = folder
        self._clock = clock
        # Size of each, and since when it has had it.
        self._seen: Mapping[str, tuple[int, float]] = {}
        self.look()

    def look(self) -> Mapping[str, bool]:
        """Name all of them, the oldest first, and say of each whether it is whole."""
        # Imported here: it needs OpenCV, which comes with the extra photo.
        from leg_kinematics.photogrammetry.folder import photographs_in  # noqa: PLC0415

        now, before = self._clock(), self._seen
        self._seen = {
            name: before[name] if name in before and before[name][0] == size else (size, now)
            for name, size in photographs_in(self._folder).items()
        }
        return {
            name: size > 0 and now - since >= WHOLE_AFTER
            for name, (size, since) in self._seen.items()
        }


def no_markers(noted: tuple[FootEntry, ...]) -> MarkersSeen:
    """See nothing, where there are no photographs.

    Raises
    ------
    CommandError
        Some were noted all the same.

    """
    if any(isinstance(each, PhotographTaken) for each in noted):
        raise CommandError('photographs were noted: name their folder by --photographs')
    return MarkersSeen()


def markers_in(folder: Path, robot: Robot) -> Markers:
    """Return what finds markers in the photographs of a folder.

    Parameters
    ----------
    folder
        With the photographs.
    robot
        The description: its legs have the numbers of the markers.

    """
    known: dict[tuple[FootEntry, ...], MarkersSeen] = {}

    def find(noted: tuple[FootEntry, ...]) -> MarkersSeen:
        about = tuple(
            each for each in noted if isinstance(each, LegPosed | PhotographTaken | BarMeasured)
        )
        if about not in known:
            known.clear()
            known[about] = _seen(folder, robot, about)
        return known[about]

    return find


def _seen(folder: Path, robot: Robot, noted: tuple[FootEntry, ...]) -> MarkersSeen:
    found, words = [], []
    posed = [each for each in noted if isinstance(each, LegPosed)]
    for placement in sorted({each.placement for each in posed}):
        here = [each for each in posed if each.placement == placement]
        result = photographs_of(folder, robot, noted, {each.pose for each in here})
        words += [f'{each.file}: {each.words}' for each in result.photographs if not each.used]
        words += result.advice
        for each in here:
            place = result.feet.get((each.pose, each.stand.leg))
            if place is not None:
                found.append(
                    FootSeen(each.stand, placement, place.position, place.covariance, 'marker')
                )
    return MarkersSeen(tuple(found), tuple(words))


def photographs_of(
    folder: Path, robot: Robot, noted: Sequence[FootEntry], poses: set[int]
) -> 'PhotoResult':
    """Find the feet in the photographs of some poses, all of one placement.

    Raises
    ------
    CommandError
        The length of the bar was not noted.

    """
    from leg_kinematics.photogrammetry.feet import feet_from_photographs  # noqa: PLC0415

    lengths = [each.length for each in noted if isinstance(each, BarMeasured)]
    if not lengths:
        raise CommandError('nobody has measured the bar on the printed sheets yet')
    taken = {
        each.file: each.pose
        for each in noted
        if isinstance(each, PhotographTaken) and each.pose in poses
    }
    return feet_from_photographs(folder, taken, robot.leg_names, lengths[-1])
