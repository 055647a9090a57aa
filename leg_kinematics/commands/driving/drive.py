# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics drive`: a robot that runs, driven from this terminal or by a local gamepad."""

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path

import click
from click.core import ParameterSource
from rich.console import Console

from leg_kinematics.commands.driving.driven import Driven
from leg_kinematics.commands.driving.driver import Driver
from leg_kinematics.commands.driving.local_pad import LocalPad
from leg_kinematics.commands.options.chain_options import kept_to, namespace_of, network_given
from leg_kinematics.commands.options.files import InputFile, WrongFileError, config_folder
from leg_kinematics.errors import CommandError, DescriptionError, LegKinematicsError
from leg_kinematics.nodes.running.parameter_file import read_settings
from leg_kinematics.teleop.layout import load_layout
from leg_kinematics.teleop.steering import Steering, SteeringParameters


@click.command(
    epilog='Examples: leg-kinematics drive;  '
    'leg-kinematics drive --gamepad --namespace /bracken --layout mine.yaml;  '
    'leg-kinematics drive --robot bracken@192.168.1.20 --key keys/anna'
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
@click.option(
    '--params-file',
    type=InputFile(),
    help='How fast the ranges are, and the rest that `teleop` takes. Default: the example '
    'nodes.yaml.',
)
@network_given
@click.option(
    '--robot',
    'robots',
    multiple=True,
    help='NAME@ADDRESS of a robot on another machine, driven through its link instead of by ROS 2. '
    'Of several, all are watched, and a digit chooses the one that is driven.',
)
@click.option(
    '--key',
    'key',
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help='Folder of the key of the driver, for --robot: see leg-kinematics keys.',
)
@click.pass_context
def drive(
    context: click.Context,
    *,
    namespace: str,
    gamepad: bool,
    layout: Path | None,
    params_file: Path | None,
    network: str | None,
    robots: tuple[str, ...],
    key: Path | None,
) -> None:
    """Drive a robot whose chain runs, by keys or by a gamepad.

    The robot walks only while a key is held or, with a gamepad, while its hold control is pressed.
    A terminal does not tell that a key was let go: the robot stops 0.2 s after the last repeat of
    the key, and a single tap walks for 0.7 s. Space stops, x releases (the pulses go off and the
    robot sinks), q leaves; these keys work with a gamepad, too.

    Through the link of --robot the robot stops within 0.5 s after a cut, whatever happens on the
    way, and the key or the hold control must be let go before it moves again. It is no emergency
    stop: the switch of the battery is.

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
    if bool(robots) is not (key is not None):
        raise click.UsageError('--robot and --key belong together: give both, or none of them')
    by_ros = [
        f'--{name}'
        for name in ('namespace', 'network')
        if context.get_parameter_source(name) is not ParameterSource.DEFAULT
    ]
    if robots and by_ros:
        raise click.UsageError(f'--robot names a robot by its link, and {by_ros[0]} one by ROS 2')
    console = Console()
    try:
        file = params_file or config_folder() / 'nodes.yaml'
        parameters = read_settings(file, 'teleop').of(SteeringParameters)
        with ExitStack() as stack:
            hands = None
            if gamepad:
                shipped = config_folder() / 'layouts' / 'two_sticks_four_buttons.yaml'
                pad = LocalPad()
                stack.callback(pad.close)
                hands = (pad, Steering(load_layout(layout or shipped), parameters))
            way = stack.enter_context(_way(namespace, network, robots, key, console))
            Driver(way, parameters, hands, console).run()
    except DescriptionError as error:
        raise WrongFileError(str(error)) from error
    except LegKinematicsError as error:
        raise click.ClickException(str(error)) from error
    click.echo(
        'Left: nothing is sent any more, so that the robot stops; its pulses are as they were.'
    )


@contextmanager
def _way(
    namespace: str,
    network: str | None,
    robots: Sequence[str],
    key: Path | None,
    console: Console,
) -> Iterator[Callable[[Callable[[str], None]], Driven]]:
    """Give what makes the robots; it takes who is told what came of an order.

    Imported here: --help shall not wait for ROS 2, and the link does without.
    """
    if key is not None:
        from leg_kinematics.commands.driving.driven_by_link import (  # noqa: PLC0415
            DrivenByLink,
            read_addresses,
        )

        try:
            addresses = read_addresses(robots)
        except CommandError as error:
            raise click.BadParameter(str(error), param_hint='--robot') from error
        yield partial(DrivenByLink, key, addresses)
        return
    from leg_kinematics.commands.driving.driven_by_topics import (  # noqa: PLC0415
        DrivenByTopics,
        driving_node,
    )

    with kept_to(network), driving_node(namespace, console) as (participant, topic):
        yield partial(DrivenByTopics, participant, topic)
