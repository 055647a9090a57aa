# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Photographs as they come into a folder, and what they show of the feet of a robot."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
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
from leg_kinematics.identification.arrival import Arrival
from leg_kinematics.identification.evidence import FootSeen
from leg_kinematics.identification.working_out import Markers, MarkersSeen
from leg_kinematics.robot import Robot

if TYPE_CHECKING:
    from leg_kinematics.photogrammetry.feet import PhotoResult


#: A file that has not grown for so long is whole, s.
WHOLE_AFTER = 0.5


@dataclass(frozen=True)
class _Seen:
    """A file as it was seen: its size, since when it has had it, s, and whether it can be read."""

    size: int
    since: float
    readable: bool

    def arrival(self, now: float) -> Arrival:
        if not self.size or now - self.since < WHOLE_AFTER:
            return Arrival.COMING
        return Arrival.WHOLE if self.readable else Arrival.UNREADABLE


class PhotographFolder:
    """The photographs in a folder, and what has become of them.

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
        self._seen: Mapping[str, _Seen] = {}
        self.look()

    def look(self) -> Mapping[str, Arrival]:
        """Name all of them, the oldest first, and say what has become of each."""
        # Imported here: it needs OpenCV, which comes with the extra photo.
        from leg_kinematics.photogrammetry.folder import (  # noqa: PLC0415
            can_be_read,
            photographs_in,
        )

        now, before = self._clock(), self._seen
        self._seen = {
            name: before[name]
            if name in before and before[name].size == size
            else _Seen(size, now, can_be_read(self._folder / name))
            for name, size in photographs_in(self._folder).items()
        }
        return {name: each.arrival(now) for name, each in self._seen.items()}


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
