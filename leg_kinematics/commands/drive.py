# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics drive`: a robot that runs, driven from this terminal or by a local gamepad."""

import sys
from contextlib import ExitStack
from pathlib import Path

import click
from rich.console import Console

from leg_kinematics.commands.chain_options import namespace_of, network_option
from leg_kinematics.commands.files import InputFile, WrongFileError, config_folder
from leg_kinematics.commands.local_pad import LocalPad
from leg_kinematics.errors import DescriptionError, LegKinematicsError
from leg_kinematics.teleop.layout import load_layout
from leg_kinematics.teleop.steering import Steering, SteeringParameters


@click.command(
    epilog='Examples: leg-kinematics drive;  '
    'leg-kinematics drive --gamepad --namespace /bracken --layout mine.yaml'
)
@click.option(
    '--namespace',
    default='/',
    show_default=True,
    callback=namespace_of,
    help='Of the robot on the network.',
)
@click.option('--gamepad', is_flag=True, help='Drive by a gamepad that is plugged in here.')
@click.option(
    '--layout',
    type=InputFile(),
    help='What its controls do. Default: the example two_sticks_four_buttons.yaml.',
)
@network_option
def drive(*, namespace: str, gamepad: bool, layout: Path | None) -> None:
    """Drive a robot whose chain runs, by keys or by a gamepad.

    The robot walks only while a key is held or, with a gamepad, while its hold control is pressed.
    A terminal does not tell that a key was let go: the robot stops 0.2 s after the last repeat of
    the key, and a single tap walks for 0.7 s. Space stops, x releases (the pulses go off and the
    robot sinks), q leaves; these keys work with a gamepad, too.

    Exit code 0 after leaving; 1 where no gait runs or no gamepad can be read; 2 for a wrong file or
    option.
    """
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise click.UsageError(
            'keys and screen need a terminal, and input or output is none; in a script publish '
            'cmd_vel'
        )
    if layout is not None and not gamepad:
        raise click.UsageError('--layout says what the controls of a gamepad do: add --gamepad')
    # Imported here: --help shall not wait for ROS 2.
    from leg_kinematics.commands.driver import Driver, driving_node  # noqa: PLC0415

    parameters = SteeringParameters()
    console = Console()
    try:
        with ExitStack() as stack:
            hands = None
            if gamepad:
                file = layout or config_folder() / 'layouts' / 'two_sticks_four_buttons.yaml'
                pad = LocalPad()
                stack.callback(pad.close)
                hands = (pad, Steering(load_layout(file), parameters))
            participant, topic = stack.enter_context(driving_node(namespace, console))
            Driver(participant, topic, parameters, hands, console).run()
    except DescriptionError as error:
        raise WrongFileError(str(error)) from error
    except LegKinematicsError as error:
        raise click.ClickException(str(error)) from error
    click.echo(
        'Left: nothing is sent any more, so that the robot stops; its pulses are as they were.'
    )
