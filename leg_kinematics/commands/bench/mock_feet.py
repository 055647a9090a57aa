# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Feet of the robot on the mock boards, as a ruler on the printed grid shows them."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from math import radians
from pathlib import Path

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.outputs import output_of
from leg_kinematics.commands.bench.calibration_session import joint_tasks
from leg_kinematics.commands.bench.mock_robot import TrueRobot, ground_frame
from leg_kinematics.commands.bench.mock_servos import MockServos, mock_servos
from leg_kinematics.robot import Vector


@dataclass(frozen=True)
class MockFeet:
    """What a person with a ruler sees.

    Attributes
    ----------
    calibrated
        What the robot is taken to be; of its maps board and channel count.
    truth
        What the robot is.
    servos
        Its mock boards.

    """

    calibrated: CalibratedRobot
    truth: TrueRobot
    servos: MockServos

    def foot(self, leg: str, placement: int = 0) -> Vector:
        """Say where a foot is by now.

        Parameters
        ----------
        leg
            Its name.
        placement
            Number of the placement: every time that the robot is put down, it stands elsewhere.

        Returns
        -------
        Vector
            In the frame of the grid, z up from the ground and below 0 where the foot presses into
            it, m.

        """
        robot, maps = self.calibrated.robot, self.calibrated.maps.by_joint
        joints = robot.legs[robot.leg_names.index(leg)].joints
        coxa, femur, tibia = (
            radians(self.servos.angle(output_of(maps[joint]))) for joint in joints
        )
        foot = self.truth.legs[leg].foot((coxa, femur, tibia))
        return ground_frame(robot, placement).to_mount(foot)


@contextmanager
def mock_feet(calibrated: CalibratedRobot, legs: Sequence[str], file: Path) -> Iterator[MockFeet]:
    """Run the mock boards of some legs, whose servos the maps are somewhat wrong about.

    Parameters
    ----------
    calibrated
        What the robot is taken to be.
    legs
        Names of those that have servos.
    file
        Where the truth is kept: `truth_beside`.

    Raises
    ------
    BoardError
        A mock did not start.
    WrongFileError
        The file is something else.

    """
    robot, maps = calibrated.robot.part(legs), calibrated.maps.by_joint
    tasks = joint_tasks(robot, list(maps.values()))
    truth = TrueRobot.at(file, robot, tasks, maps)
    with mock_servos({each.output: truth.servos[each.joint] for each in tasks}) as servos:
        yield MockFeet(calibrated, truth, servos)
