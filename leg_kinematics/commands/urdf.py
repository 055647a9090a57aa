# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""``leg-kinematics urdf``: the URDF of a described robot."""

from pathlib import Path

import click

from leg_kinematics.commands.options.files import WrongFileError
from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot import load_robot
from leg_kinematics.robot.urdf import urdf as urdf_of


@click.command(epilog='Example: leg-kinematics urdf config/robots/bracken.yaml > bracken.urdf')
@click.argument('robot', type=click.Path(path_type=Path))
def urdf(robot: Path) -> None:
    """Print the URDF of the robot that the file ROBOT describes.

    It has inertias, limits, effort and velocity, and shapes to see and to bump into, for
    viewers, planners and simulators.
    """
    try:
        click.echo(urdf_of(load_robot(robot)), nl=False)
    except DescriptionError as error:
        raise WrongFileError(str(error)) from error
