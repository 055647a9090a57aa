# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A robot with the servo maps that belong to it, from their files."""

from dataclasses import dataclass
from pathlib import Path
from typing import Self

from leg_kinematics.calibration import ServoMaps, load_servo_maps
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver import LegSolver, leg_solvers, posture_angles


@dataclass(frozen=True)
class CalibratedRobot:
    """A robot whose joints go as far as its servo maps have pulses.

    Attributes
    ----------
    robot
        The part of the described robot that is wired: legs without servos are none here, so that
        nobody drives them.
    maps
        Of all its joints; they know which legs are not wired.
    legs
        Its solvers, with the ranges of the servo maps.

    """

    robot: Robot
    maps: ServoMaps
    legs: tuple[LegSolver, ...]

    @classmethod
    def load(cls, robot_file: Path | str, maps_file: Path | str) -> Self:
        """Read both files, and see that the robot can take its postures.

        Raises
        ------
        DescriptionError
            A file is wrong, or a posture cannot be taken.

        """
        described = load_robot(robot_file)
        maps = load_servo_maps(maps_file, described)
        robot = maps.wired(described)
        legs = leg_solvers(robot, {each.joint: each.angle_range for each in maps.maps})
        for posture in ('resting', 'standing'):
            posture_angles(robot, legs, posture)
        return cls(robot, maps, legs)
