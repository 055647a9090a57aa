# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What the commands that move feet have in common: in which chain, and on which boards."""

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Any

import click

from leg_kinematics.board import boards_not_given
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.commands.options.files import InputFile, WrongFileError, config_folder
from leg_kinematics.commands.terminal.confirm import yes_option
from leg_kinematics.errors import BoardError, CommandError, LegKinematicsError
from leg_kinematics.nodes.running.parameter_file import check_node_names

#: What ROS 2 takes as a namespace; the slash in front may be left out.
NAMESPACE = re.compile(r'/|/?[a-z_]\w*(/[a-z_]\w*)*', re.ASCII | re.IGNORECASE)


def namespace_of(_: click.Context, __: click.Parameter, name: str) -> str:
    """Give a namespace its slash, or refuse it."""
    if not NAMESPACE.fullmatch(name):
        raise click.BadParameter(
            f'{name!r} is no namespace: expected names of letters, digits and underscores that '
            f'do not begin with a digit, such as /bracken or /garden/bracken'
        )
    return '/' + name.removeprefix('/')


def optional_namespace_of(
    context: click.Context, parameter: click.Parameter, name: str | None
) -> str | None:
    """Do the same where it may be left out."""
    return None if name is None else namespace_of(context, parameter, name)


network_given = click.option(
    '--network',
    metavar='INTERFACE|ADDRESS|environment',
    help='Reach other machines, and be reached: by this interface of this machine, such as '
    'wlan0, or the one of this IPv4 address, which is waited for; or as the environment says, '
    'as every ROS 2 node does. ANYBODY there can drive the robot, unless DDS security is '
    'enforced. Default: keep to this machine.',
)


@contextmanager
def kept_to(network: str | None) -> Iterator[None]:
    """Keep to this machine, or to the network that was given.

    Raises
    ------
    click.BadParameter
        That cannot be.

    """
    # Imported here: --help shall not wait for ROS 2.
    from leg_kinematics.nodes.running.network import reaching  # noqa: PLC0415

    with ExitStack() as stack:
        profile = config_folder() / 'network' / 'this_machine.xml'
        try:
            stack.enter_context(
                reaching(network, profile, lambda words: click.echo(words, err=True))
            )
        except CommandError as error:
            raise click.BadParameter(str(error), param_hint='--network') from error
        yield


def network_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Have a command, and what it starts, keep to this machine or to the network it is given."""

    @network_given
    @wraps(command)
    def with_network(*, network: str | None, **others: Any) -> Any:  # noqa: ANN401
        with kept_to(network):
            return command(**others)

    return with_network


def check_boards(given: Sequence[str], needed: Sequence[str]) -> None:
    """Refuse to start without a board that the servo maps name.

    Raises
    ------
    click.BadParameter
        One is missing, or an option is no board.

    """
    try:
        missing = boards_not_given(given, needed)
    except BoardError as error:
        raise click.BadParameter(str(error), param_hint='--board') from error
    if missing:
        options = ' '.join(f'--board {name}=DRIVER:PORT' for name in missing)
        raise click.BadParameter(
            f'the servo maps name the boards {", ".join(needed)}, but {", ".join(missing)} '
            f'{"is" if len(missing) == 1 else "are"} not given (got {", ".join(given)}): '
            f'add {options}',
            param_hint='--board',
        )


@dataclass(frozen=True)
class ChainOptions:
    """In which chain the feet are moved.

    Attributes
    ----------
    robot, servo_maps
        As given; None for those of the chain that runs, or the example.
    boards
        Each as NAME=DRIVER:PORT; none where a mock or a chain that runs is meant.
    params_file
        As given.
    namespace
        Of the chain.
    release
        Whether the pulses are stopped at the end.
    yes
        Whether the cautions are confirmed.

    """

    robot: Path | None
    servo_maps: Path | None
    boards: tuple[str, ...]
    params_file: Path | None
    namespace: str
    release: bool
    yes: bool

    @property
    def files(self) -> tuple[Path, Path]:
        """Description and servo maps where no chain runs."""
        config = config_folder()
        return (
            self.robot or config / 'robots' / 'bracken.yaml',
            self.servo_maps or config / 'servo_maps' / 'bracken.yaml',
        )

    @property
    def parameters(self) -> Path:
        """File of the parameters where no chain runs."""
        return self.params_file or config_folder() / 'nodes.yaml'

    def load(self) -> CalibratedRobot:
        """Read the robot where no chain runs; see that boards and parameters fit.

        Raises
        ------
        WrongFileError
            A file is wrong.
        click.BadParameter
            A board is missing.

        """
        try:
            check_node_names(self.parameters)
            calibrated = CalibratedRobot.load(*self.files)
        except LegKinematicsError as error:
            raise WrongFileError(str(error)) from error
        if self.boards:
            check_boards(self.boards, calibrated.maps.boards)
        return calibrated


def chain_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options, as one argument `options`."""

    @click.option(
        '--robot',
        type=InputFile(),
        help='Description of the robot. Default: that of the chain that runs, or the example.',
    )
    @click.option(
        '--servo-maps',
        type=InputFile(),
        help='Its servo maps. Default: as for --robot.',
    )
    @click.option(
        '--board',
        'boards',
        multiple=True,
        help='NAME=DRIVER:PORT of a servo board, as often as there are boards, where no chain '
        'runs yet. Default: a mock for all.',
    )
    @click.option(
        '--params-file',
        type=InputFile(),
        help='Parameters of the nodes where no chain runs yet. Default: the example nodes.yaml.',
    )
    @click.option(
        '--namespace',
        default='/',
        show_default=True,
        callback=namespace_of,
        help='Of the robot on the network.',
    )
    @click.option(
        '--release',
        is_flag=True,
        help='Stop all pulses at the end: the robot sinks. Default: hold.',
    )
    @network_option
    @yes_option
    @wraps(command)
    def with_options(
        *,
        robot: Path | None,
        servo_maps: Path | None,
        boards: tuple[str, ...],
        params_file: Path | None,
        namespace: str,
        release: bool,
        yes: bool,
        **others: Any,  # noqa: ANN401
    ) -> Any:  # noqa: ANN401
        given = () if boards == ('mock',) else boards
        options = ChainOptions(
            robot, servo_maps, given, params_file, namespace, release=release, yes=yes
        )
        return command(options=options, **others)

    return with_options
