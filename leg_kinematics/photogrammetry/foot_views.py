# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Which photographs show which foot, and whether they show it in one place."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.photogrammetry.look import Look
from leg_kinematics.photogrammetry.marker_pose import Standing, View, standings
from leg_kinematics.photogrammetry.rigid import Pose
from leg_kinematics.photogrammetry.scene import Scene

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class FootViews:
    """One foot in one pose.

    Attributes
    ----------
    pose, leg
        Which.
    pixels
        Of the photographs that show its marker, by their places: its corners, shape (4, 2).

    """

    pose: int
    leg: str
    pixels: Mapping[int, Floats]

    def ways(self, scene: Scene) -> tuple[Standing, ...]:
        """Return the ways in which the marker may stand, by the cameras of a scene, best first."""
        views = []
        for photograph, pixels in self.pixels.items():
            lens = scene.lenses[scene.camera[photograph]].copy()
            lens[0] *= 1.0 + scene.focus[photograph]
            camera = Pose(scene.turns[photograph], scene.shifts[photograph])
            views.append(View(camera, lens, pixels))
        return standings(views, scene.scale * float(1.0 + scene.print[1]))

    def apart(self, scene: Scene) -> float:
        """Return how far its corners are from where they should be, root mean square, px."""
        return float(np.sqrt(self.ways(scene)[0].squares / (4.0 * len(self.pixels))))

    def without(self, photograph: int) -> 'FootViews':
        """Leave a photograph out."""
        others = {place: pixels for place, pixels in self.pixels.items() if place != photograph}
        return FootViews(self.pose, self.leg, others)


def place_feet(
    scene: Scene, looks: Sequence[Look], poses: Mapping[str, int], most_apart: float
) -> tuple[tuple[FootViews, ...], Mapping[tuple[int, str], tuple[str, ...]]]:
    """Collect the views of every foot.

    Where they do not show it in one place, the one that the others contradict is left out; of two
    nobody knows which is wrong, and the foot is left out.

    Parameters
    ----------
    scene
        With cameras as the sheets tell them.
    looks
        What the photographs of the scene show, in their order.
    poses
        Of each file: which pose it shows.
    most_apart
        How far corners may be from where they should be, root mean square, px.

    Returns
    -------
    tuple of FootViews, Mapping
        What is left; and of each foot of which something was left out, which files that were.

    """
    pixels: dict[tuple[int, str], dict[int, Floats]] = {}
    for index, look in enumerate(looks):
        for marker in look.markers:
            pixels.setdefault((poses[look.file], marker.leg), {})[index] = marker.pixels
    kept: list[FootViews] = []
    apart: dict[tuple[int, str], tuple[str, ...]] = {}
    for key in sorted(pixels):
        foot = FootViews(*key, pixels[key])
        left_out: tuple[int, ...] = ()
        while len(foot.pixels) > 1 and foot.apart(scene) > most_apart:
            if len(foot.pixels) == 2:
                left_out += tuple(foot.pixels)
                break
            fewer = [(foot.without(place), place) for place in foot.pixels]
            foot, place = min(fewer, key=lambda each: each[0].apart(scene))
            left_out += (place,)
        if left_out:
            apart[key] = tuple(looks[place].file for place in left_out)
        if not set(foot.pixels) <= set(left_out):
            kept.append(foot)
    return tuple(kept), apart
