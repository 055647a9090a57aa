# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics run`: the whole chain in one process."""

import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path

import click

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.commands.options.chain_options import check_boards, namespace_of, network_option
from leg_kinematics.commands.options.files import InputFile, WrongFileError, config_folder
from leg_kinematics.commands.terminal.confirm import confirm, yes_option
from leg_kinematics.errors import BoardError, LegKinematicsError
from leg_kinematics.nodes.caution import CAUTION
from leg_kinematics.nodes.remote_processes import driven_from_elsewhere
from leg_kinematics.nodes.running.parameter_file import check_node_names
from leg_kinematics.nodes.taking_part.chain_processes import MockBoards
from leg_kinematics.parameters import Value
from leg_kinematics.remote.keys import KeyFolder, Role
from leg_kinematics.remote.link import load_zenoh
from leg_kinematics.robot import load_robot


@click.command(
    epilog='Examples: leg-kinematics run --board mock --enable;  '
    'leg-kinematics run --robot mine.yaml --servo-maps mine-maps.yaml '
    '--board main=framed:/dev/ttyUSB0'
)
@click.option(
    '--robot',
    type=InputFile(),
    help='Description of the robot.',
)
@click.option(
    '--servo-maps',
    type=InputFile(),
    help='Servo maps of this very robot.',
)
@click.option(
    '--board',
    'boards',
    multiple=True,
    default=['mock'],
    show_default=True,
    help='NAME=DRIVER:PORT of a servo board, as often as there are boards; or mock for all.',
)
@click.option(
    '--params-file',
    type=InputFile(),
    help='Parameters of the nodes. Default: the example nodes.yaml.',
)
@click.option(
    '--namespace',
    default='/',
    show_default=True,
    callback=namespace_of,
    help='Every robot on the network needs its own.',
)
@click.option(
    '--enable',
    is_flag=True,
    help='Configure and activate the bridge: powers servos, after a question if they are real.',
)
@click.option(
    '--key',
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help='Folder of the key of this robot: drivers on other machines whom its register lists may '
    'drive it then, by leg-kinematics drive --robot.',
)
@network_option
@yes_option
def run(
    *,
    robot: Path | None,
    servo_maps: Path | None,
    boards: tuple[str, ...],
    params_file: Path | None,
    namespace: str,
    enable: bool,
    key: Path | None,
    yes: bool,
) -> None:
    """Run the three nodes in one process, until interrupted.

    Without --robot and --servo-maps it is the example robot, without --board there is a mock for
    every board that the servo maps name. With a real board, Ctrl-C ends kinematics, gait and
    bridge, but not the pulses: the board then acts by the parameter board_silence_reaction, which
    is to hold. With --key there are two more processes, the nodes arbiter and remote.
    """
    # Imported here: --help shall not wait for ROS 2.
    from leg_kinematics.nodes.one_process import one_process  # noqa: PLC0415
    from leg_kinematics.nodes.running.process import run as run_nodes  # noqa: PLC0415

    config = config_folder()
    described = robot or config / 'robots' / 'bracken.yaml'
    mapped = servo_maps or config / 'servo_maps' / 'bracken.yaml'
    parameters = params_file or config / 'nodes.yaml'
    try:
        check_node_names(parameters)
        if key is not None:
            load_zenoh()
            KeyFolder.load(key, Role.ROBOT).register()
        maps = load_servo_maps(mapped, load_robot(described))
    except LegKinematicsError as error:
        raise WrongFileError(str(error)) from error
    needed = maps.boards
    if maps.not_wired:
        click.echo(f'{maps.not_wired_in_words}; the other legs are driven', err=True)
    files: dict[str, Value] = {'robot': str(described), 'servo_maps': str(mapped)}
    arguments = ['--ros-args', '-r', f'__ns:={namespace}']
    arguments += ['--params-file', str(parameters)]
    with ExitStack() as stack:
        if boards == ('mock',):
            logs = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix='mock-boards-')))
            try:
                boards = tuple(stack.enter_context(MockBoards(needed, logs)).specs)
            except BoardError as error:
                raise click.ClickException(str(error)) from error
        else:
            check_boards(boards, needed)
            if enable:
                confirm(
                    CAUTION,
                    'Shall the servos get their power as soon as the boards are there?',
                    yes=yes,
                )
            else:
                click.echo(CAUTION, err=True)
        if key is not None:
            stack.enter_context(driven_from_elsewhere(key, namespace, parameters))
        bridge: dict[str, Value] = files | {'boards': list(boards), 'enable': enable}
        code = run_nodes(lambda: one_process(files, bridge), arguments)
    sys.exit(code)
