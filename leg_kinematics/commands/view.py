# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics view`: the robot on a page in a browser, live or recorded."""

from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import click

from leg_kinematics.commands.options.chain_options import (
    kept_to,
    network_given,
    optional_namespace_of,
)
from leg_kinematics.commands.options.files import InputFile, WrongFileError
from leg_kinematics.commands.options.page_options import page_options, serve_page
from leg_kinematics.errors import BagError, DescriptionError, LegKinematicsError

if TYPE_CHECKING:
    from leg_kinematics.view.server import House

CONTROL_CAUTION = (
    'Pages can arm and drive this robot. It stops when its driver lets go, and within half a '
    'second when its page is lost; keep the switch of the battery in reach all the same.'
)


@click.command(
    epilog='Examples: leg-kinematics view --control;  leg-kinematics view --lan 192.168.4.1;  '
    'leg-kinematics view --browser demo-output/recording'
)
@click.argument('bag', required=False, type=click.Path(exists=True, path_type=Path))
@click.option('--control', is_flag=True, help='Let pages drive the robot, after arming.')
@click.option(
    '--namespace',
    callback=optional_namespace_of,
    help='Of the robot on the network, default /; or in the recording, where it has several.',
)
@network_given
@click.option('--robot', type=InputFile(), help='Description, where the chain is elsewhere.')
@click.option('--servo-maps', type=InputFile(), help='Servo maps, likewise.')
@page_options
def view(
    *,
    bag: Path | None,
    control: bool,
    lan: str | None,
    port: int,
    namespace: str | None,
    network: str | None,
    robot: Path | None,
    servo_maps: Path | None,
    browser: bool,
) -> None:
    """Show a robot that runs, or the recording BAG, in a browser.

    The page is for this computer alone unless --lan names one of its addresses. Its address, with
    a token that is new each time, is printed; Ctrl-C ends it, and then it is told how many were
    refused, and why. Looking disturbs nothing. A chain may come later, and come back.

    With --control a page can be armed and then drive the robot, while its stick is held, and have
    it stand up, crouch and release its servos.

    Exit codes: 0 after Ctrl-C; 1 the address cannot be had, or a package is missing; 2 a wrong
    option or file, or a recording that cannot be read.
    """
    if bag is not None and control:
        raise click.UsageError('a recording cannot be driven: leave --control out')
    if (robot is None) != (servo_maps is None):
        raise click.UsageError('--robot and --servo-maps belong together: give both, or none')
    if bag is not None and network is not None:
        raise click.UsageError('a recording is on no network: leave --network out')
    files = None if robot is None or servo_maps is None else (robot, servo_maps)
    try:
        with ExitStack() as stack:
            if bag is None:
                stack.enter_context(kept_to(network))
                house, close = _live(namespace or '/', files, control=control)
            else:
                house, close = _recorded(bag, namespace)
            stack.callback(close)
            serve_page(
                house,
                lan=lan,
                port=port,
                browser=browser,
                may=f'look at the robot{" and drive it" if control else ""}',
                caution=CONTROL_CAUTION if control else '',
            )
    except (BagError, DescriptionError) as error:
        raise WrongFileError(str(error)) from error
    except LegKinematicsError as error:
        raise click.ClickException(str(error)) from error


def _live(
    namespace: str, files: tuple[Path, Path] | None, *, control: bool
) -> 'tuple[House, Callable[[], None]]':
    # Imported here: --help shall not wait for ROS 2.
    from leg_kinematics.nodes.viewer import LiveHouse  # noqa: PLC0415

    house = LiveHouse(namespace, control=control, files=files)
    return house, house.close


def _recorded(bag: Path, namespace: str | None) -> 'tuple[House, Callable[[], None]]':
    from leg_kinematics.recording.bag.reader import read_whole  # noqa: PLC0415
    from leg_kinematics.recording.house import RecordedHouse  # noqa: PLC0415
    from leg_kinematics.recording.run import Run, robot_of  # noqa: PLC0415

    reader, messages = read_whole(bag)
    run = Run(messages, reader.attachments, namespace)
    return RecordedHouse(run, robot_of(run), bag.resolve().name, monotonic), lambda: None
