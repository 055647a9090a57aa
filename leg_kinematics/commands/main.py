# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The group of all commands."""

import click

from leg_kinematics.commands.bench.calibrate import calibrate
from leg_kinematics.commands.bench.survey import survey
from leg_kinematics.commands.boards.board import board
from leg_kinematics.commands.boards.firmware import firmware
from leg_kinematics.commands.check import check
from leg_kinematics.commands.demo import demo
from leg_kinematics.commands.driving.drive import drive
from leg_kinematics.commands.driving.key_folders import keys
from leg_kinematics.commands.feet.jog import jog
from leg_kinematics.commands.feet.move import move
from leg_kinematics.commands.feet.play import play
from leg_kinematics.commands.parameters import parameters
from leg_kinematics.commands.recordings.inspect import inspect
from leg_kinematics.commands.recordings.record import record
from leg_kinematics.commands.recordings.recover import recover
from leg_kinematics.commands.recordings.replay import replay
from leg_kinematics.commands.run import run
from leg_kinematics.commands.urdf import urdf
from leg_kinematics.commands.view import view


@click.group(
    context_settings={'help_option_names': ['-h', '--help']},
    epilog='Example: leg-kinematics demo',
)
@click.version_option(package_name='leg_kinematics')
def main() -> None:
    """Drive the legs of a walking robot, from a body velocity to servo pulses."""


main.add_command(board)
main.add_command(calibrate)
main.add_command(survey)
main.add_command(check)
main.add_command(demo)
main.add_command(drive)
main.add_command(firmware)
main.add_command(inspect)
main.add_command(jog)
main.add_command(keys)
main.add_command(move)
main.add_command(play)
main.add_command(record)
main.add_command(recover)
main.add_command(replay)
main.add_command(run)
main.add_command(parameters)
main.add_command(urdf)
main.add_command(view)
