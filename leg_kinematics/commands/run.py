# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics run`: the whole chain in one process."""

import re
import sys
import tempfile
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path

import click

from leg_kinematics.board import BoardSpec
from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.commands.files import WrongFileError, config_folder
from leg_kinematics.errors import BoardError, LegKinematicsError
from leg_kinematics.nodes.chain_processes import MockBoards
from leg_kinematics.robot import load_robot

CAUTION = """\
CAUTION: servos start without warning and pinch, batteries burn, robots fall. Put the robot on a
stand with its feet free, keep fingers and eyes clear, fuse the battery and keep its switch within
reach. At its first pulse a servo runs to the resting posture at full speed: with the power off,
turn the legs gently near to it. Ctrl-C ends this program, not the pulses: the board then holds,
unless board_silence_reaction is release. bridge/release or the switch of the battery ends them.
Local rules and, where they ask for it, licensed people decide over batteries and wiring."""

#: What ROS 2 takes as a namespace; the slash in front may be left out.
NAMESPACE = re.compile(r'/|/?[a-z_]\w*(/[a-z_]\w*)*', re.ASCII | re.IGNORECASE)


def _namespace(_: click.Context, __: click.Parameter, name: str) -> str:
    """Give a namespace its slash, or refuse it."""
    if not NAMESPACE.fullmatch(name):
        raise click.BadParameter(
            f'{name!r} is no namespace: expected names of letters, digits and underscores that '
            f'do not begin with a digit, such as /bracken or /garden/bracken'
        )
    return '/' + name.removeprefix('/')


def _check_boards(given: Sequence[str], needed: Sequence[str]) -> None:
    """Refuse to start without a board that the servo maps name.

    Raises
    ------
    click.BadParameter
        One is missing, or an option is no board.

    """
    try:
        names = [BoardSpec.parse(text).name for text in given]
    except BoardError as error:
        raise click.BadParameter(str(error), param_hint='--board') from error
    if missing := [name for name in needed if name not in names]:
        options = ' '.join(f'--board {name}=DRIVER:PORT' for name in missing)
        raise click.BadParameter(
            f'the servo maps name the boards {", ".join(needed)}, but {", ".join(missing)} '
            f'{"is" if len(missing) == 1 else "are"} not given: add {options}',
            param_hint='--board',
        )


@click.command(
    epilog='Examples: leg-kinematics run --board mock --enable;  '
    'leg-kinematics run --robot mine.yaml --servo-maps mine-maps.yaml '
    '--board main=framed:/dev/ttyUSB0'
)
@click.option(
    '--robot',
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help='Description of the robot.',
)
@click.option(
    '--servo-maps',
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
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
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help='Parameters of the nodes. Default: the example nodes.yaml.',
)
@click.option(
    '--namespace',
    default='/',
    show_default=True,
    callback=_namespace,
    help='Every robot on the network needs its own.',
)
@click.option('--enable', is_flag=True, help='Configure and activate the bridge: powers servos.')
def run(
    *,
    robot: Path | None,
    servo_maps: Path | None,
    boards: tuple[str, ...],
    params_file: Path | None,
    namespace: str,
    enable: bool,
) -> None:
    """Run the three nodes in one process, until interrupted.

    Without --robot and --servo-maps it is the example robot, without --board there is a mock for
    every board that the servo maps name. With a real board, Ctrl-C ends kinematics, gait and
    bridge, but not the pulses: the board then acts by the parameter board_silence_reaction, which
    is to hold.
    """
    # Imported here: --help shall not wait for ROS 2.
    from leg_kinematics.nodes.one_process import one_process  # noqa: PLC0415
    from leg_kinematics.nodes.parameters import Value  # noqa: PLC0415
    from leg_kinematics.nodes.process import run as run_nodes  # noqa: PLC0415

    config = config_folder()
    described = robot or config / 'robots' / 'bracken.yaml'
    mapped = servo_maps or config / 'servo_maps' / 'bracken.yaml'
    try:
        needed = load_servo_maps(mapped, load_robot(described)).boards
    except LegKinematicsError as error:
        raise WrongFileError(str(error)) from error
    files: dict[str, Value] = {'robot': str(described), 'servo_maps': str(mapped)}
    arguments = ['--ros-args', '-r', f'__ns:={namespace}']
    arguments += ['--params-file', str(params_file or config / 'nodes.yaml')]
    with ExitStack() as stack:
        if boards == ('mock',):
            logs = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix='mock-boards-')))
            try:
                boards = tuple(stack.enter_context(MockBoards(needed, logs)).specs)
            except BoardError as error:
                raise click.ClickException(str(error)) from error
        else:
            click.echo(CAUTION, err=True)
            _check_boards(boards, needed)
        bridge: dict[str, Value] = files | {'boards': list(boards), 'enable': enable}
        code = run_nodes(lambda: one_process(files, bridge), arguments)
    sys.exit(code)
