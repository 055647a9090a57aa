# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A robot on a block, at the machine code of its board, and who photographs it.

Lengths, mounts, servos, markers and where the sheets lie are known to nobody but the light: how the
joints stand comes of the pulses at the pins, where feet and markers are of rotations one after
another, and what photographs show of the printed pages (`photo_studio`).
"""

import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from itertools import product
from math import cos, pi, radians, sin
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial.transform import Rotation

from leg_kinematics.calibration.foot_readings import Triple
from leg_kinematics.calibration.readings_file import ReadingsFile
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.commands.bench.calibration_session import joint_tasks
from leg_kinematics.commands.bench.mock_angles import read_angles
from leg_kinematics.commands.bench.mock_robot import TrueLeg, TrueRobot, truth_beside
from leg_kinematics.photogrammetry.camera import project
from leg_kinematics.photogrammetry.layout import BAR
from leg_kinematics.photogrammetry.rigid import Pose
from leg_kinematics.photogrammetry.sheets import write_sheets

if TYPE_CHECKING:
    from test.joints_on_chip import JointsOnChip
    from test.photo_studio import Camera, Floats, Printed, Spoilt, Studio, save
    from test.photographer import ASIDE, LEANS, pointed
    from test.simulated_chip import ChipProcess
    from test.unknown_robot import Ground, aligned
else:
    from joints_on_chip import JointsOnChip
    from photo_studio import Camera, Floats, Printed, Spoilt, Studio, save
    from photographer import ASIDE, LEANS, pointed
    from unknown_robot import Ground, aligned

CONFIG = Path(__file__).parents[1] / 'config'

TODAY = date(2026, 12, 1)

#: Of each photograph of a pose that shows a marker, there are so many at least.
VIEWS = 2

#: Nobody takes more of one pose.
MOST_VIEWS = 5

#: How many times larger than described the print came out.
SCALE = 1.003

#: Around where a foot stands it is looked where feet land, m.
AROUND = tuple(product((-0.02, 0.0, 0.02), (-0.02, 0.0, 0.02), (0.0, 0.02)))


@dataclass(frozen=True)
class Stood:
    """Where a leg is, in `base_link`, m: femur axis, knee, tip, and how the tibia is turned."""

    hip: Floats
    knee: Floats
    tip: Floats
    tibia: Rotation


def stood(true: TrueLeg, angles: Sequence[float]) -> Stood:
    """Place a leg by rotations one after another."""
    coxa_length, femur_length, tibia_length = true.lengths
    coxa = Rotation.from_euler('xyz', true.rpy) * Rotation.from_euler('z', angles[0])
    femur = coxa * Rotation.from_euler('y', -angles[1])
    tibia = femur * Rotation.from_euler('y', -angles[2])
    hip = np.array(true.position) + coxa.apply([coxa_length, 0.0, 0.0])
    knee = hip + femur.apply([femur_length, 0.0, 0.0])
    return Stood(hip, knee, knee + tibia.apply([tibia_length, 0.0, 0.0]), tibia)


class PhotographedRobot:
    """A robot, its board, its files, and the photographs that are taken of it.

    Parameters
    ----------
    chip
        The board.
    folder
        For all files.
    name
        Of the example robot that it was built by.
    laid
        Where its sheets lie on the ground: x, y in m and yaw in rad.
    middle
        Where on the ground cameras look, x and y, m.
    away
        From there they are so far, m.
    size
        Of the photographs, px.
    marker
        Where the middle of each marker is meant to be, from the tip, m.

    """

    def __init__(
        self,
        chip: 'ChipProcess',
        folder: Path,
        name: str,
        laid: Sequence[Triple],
        *,
        middle: tuple[float, float] = (0.0, 0.0),
        away: tuple[float, float] = (0.55, 0.68),
        size: tuple[int, int] = (1600, 1200),
        marker: Triple = (0.0, 0.0, 0.0),
    ) -> None:
        """Build it, connect it, print its pages, and note what a protractor shows of it."""
        self.robot = Path(shutil.copy(CONFIG / 'robots' / f'{name}.yaml', folder / 'mine.yaml'))
        maps = CONFIG / 'servo_maps' / f'{name}.yaml'
        self.maps = Path(shutil.copy(maps, folder / 'maps.yaml'))
        self.photographs = folder / 'photographs'
        self.photographs.mkdir()
        calibrated = CalibratedRobot.load(self.robot, self.maps)
        self.legs = calibrated.robot.leg_names
        file = ReadingsFile(self.maps.with_suffix('.readings.jsonl'), calibrated.robot, TODAY)
        read_angles(calibrated, self.legs, self.maps, file)
        present = calibrated.maps.by_joint
        tasks = joint_tasks(calibrated.robot, list(present.values()))
        self.truth = TrueRobot.at(truth_beside(self.maps), calibrated.robot, tasks, present)
        self.on_chip = JointsOnChip(
            chip, {present[joint].channel: servo for joint, servo in self.truth.servos.items()}
        )
        self._rng = np.random.default_rng(20261201)
        self._ground = Ground.draw(self._rng, calibrated.robot.standing.height)
        self._markers = {leg: marker + self._rng.normal(0.0, 0.25e-3, 3) for leg in self.legs}
        pages = folder / 'markers.pdf'
        write_sheets(calibrated.robot, pages, len(laid))
        printed = Printed.of(pages, len(laid), len(self.legs))
        self._sheets = [printed.sheet(k, *place) for k, place in enumerate(laid, start=1)]
        self._printed = printed
        self._studio = Studio(self._rng, stretch=(SCALE, SCALE))
        self._middle, self._away = np.array([*middle, 0.0]), away
        width, height = self._size = size
        centre = [(width - 1) / 2 + 7.0, (height - 1) / 2 - 5.0]
        self._lens = np.array([0.76 * width, *centre, 0.05, -0.04, 0.0, 2e-4, -3e-4])
        self.taken = 0

    @property
    def bar(self) -> str:
        """How long the printed bar is, as it is read and typed, mm."""
        return f'{1e3 * BAR * SCALE:.1f}'

    @property
    def bounds_us(self) -> dict[int, tuple[float, float]]:
        """Lowest and highest pulse of each channel by the maps as they are now, µs."""
        maps = CalibratedRobot.load(self.robot, self.maps).maps.maps
        return {each.channel: (each.lowest_us, each.highest_us) for each in maps}

    def height(self, leg: str) -> float:
        """How high above the ground the tip of a foot is, m."""
        return float(self._ground.seen(self._stood(leg).tip)[2])

    def photograph(self, pose: int) -> list[str]:
        """Take photographs from all around until every marker is seen twice; return their names."""
        placed = {leg: self._stood(leg) for leg in self.legs}
        markers = {leg: self._marker(leg, each) for leg, each in placed.items()}
        bars = [
            (self._ground.seen(start), self._ground.seen(end), 0.010)
            for each in placed.values()
            for start, end in ((each.hip, each.knee), (each.knee, each.tip))
        ]
        surfaces = [
            *self._sheets,
            *(self._printed.marker(k, markers[leg]) for k, leg in enumerate(self.legs)),
        ]
        seen = dict.fromkeys(self.legs, 0)
        names: list[str] = []
        first = self._rng.uniform(0.0, 2.0 * pi)
        while len(names) < MOST_VIEWS and min(seen.values()) < VIEWS:
            # Each from another side than all before.
            camera = self._camera(first + pi * 1.236 * len(names))
            for leg, marker in markers.items():
                seen[leg] += self._shows(camera, marker)
            picture = self._studio.take(camera, surfaces, Spoilt(), bars)
            self.taken += 1
            names.append(f'{pose}-{self.taken:03}.jpg')
            # So that it is whole as soon as it has its name.
            coming = self.photographs / f'{names[-1]}.part'
            save(picture, coming)
            coming.rename(self.photographs / names[-1])
        return names

    def off_mm(self) -> tuple[float, float]:
        """Return how far from where they are meant feet land by the files as they are now, mm.

        In the median and at 95 %, around where feet stand, in the middle of slack and dead band; to
        each other (after their best motion as a whole), and of one leg alone in the body.
        """
        calibrated = CalibratedRobot.load(self.robot, self.maps)
        meant, landed = [], []
        for leg, foot in zip(calibrated.legs, calibrated.robot.standing.feet, strict=True):
            for off in AROUND:
                point = (foot[0] + off[0], foot[1] + off[1], foot[2] + off[2])
                angles = [
                    radians(self.truth.servos[joint].angle(each.pulse_us(angle)))
                    for joint, angle in zip(leg.joints, leg.angles(point), strict=True)
                    for each in (calibrated.maps.by_joint[joint],)
                ]
                meant.append(point)
                landed.append(stood(self.truth.legs[leg.name], angles).tip)
        goal, points = np.array(meant), np.array(landed)
        if len(self.legs) > 1:
            points = aligned(points, goal)
        apart = 1e3 * np.linalg.norm(points - goal, axis=1)
        return float(np.median(apart)), float(np.percentile(apart, 95.0))

    def _stood(self, leg: str) -> Stood:
        angles = self.on_chip.angles()
        joints = [f'{leg}_{part}' for part in ('coxa', 'femur', 'tibia')]
        own = [radians(angles[self.truth.servos[joint].joint]) for joint in joints]
        return stood(self.truth.legs[leg], own)

    def _marker(self, leg: str, placed: Stood) -> Pose:
        """Return how the marker of a leg stands, in the ground's frame."""
        centre = self._ground.seen(placed.tip + placed.tibia.apply(self._markers[leg]))
        leaning = placed.tibia * Rotation.from_euler('y', -LEANS)
        return Pose((self._ground.turn.inv() * leaning).as_matrix(), centre)

    def _camera(self, way: float) -> Camera:
        """Hold the phone somewhere, on a side."""
        tilt, away = radians(self._rng.uniform(15.0, 30.0)), self._rng.uniform(*self._away)
        up = np.array([sin(tilt) * cos(way), sin(tilt) * sin(way), cos(tilt)])
        target = self._middle + self._rng.uniform(-0.02, 0.02, 3)
        eye = target + away * up
        turn = pointed(eye, target, self._rng.choice([0.0, pi / 2]))
        focused = self._lens * [1.0 + self._rng.normal(0.0, 0.002), *[1.0] * 7]
        return Camera(self._size, focused, Pose(turn, -turn @ eye))

    def _shows(self, camera: Camera, marker: Pose) -> bool:
        """Tell whether a marker is in a picture, and not seen from too far aside."""
        eye = -camera.pose.turn.T @ camera.pose.shift
        sight = (eye - marker.shift) / np.linalg.norm(eye - marker.shift)
        point = (camera.pose.turn @ marker.shift + camera.pose.shift)[None]
        (pixel,) = project(point, camera.lens[None])
        inside = np.all((pixel > 60.0) & (pixel < np.subtract(self._size, 60.0)))
        return bool(inside and sight @ marker.turn[:, 2] > ASIDE)
