# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics replay`: a recorded run again, by a chain that runs or beside today's code."""

from math import isfinite
from pathlib import Path
from typing import NoReturn

import click
from click.core import ParameterSource

from leg_kinematics.commands.options.chain_options import network_option, optional_namespace_of
from leg_kinematics.commands.options.files import WrongFileError
from leg_kinematics.commands.recordings.bag_options import bag_argument, recorded_chain_option
from leg_kinematics.commands.terminal.confirm import yes_option
from leg_kinematics.errors import LegKinematicsError

#: Options that have a meaning with --compare only, and the other way round.
OF_COMPARISON = ('foot_tolerance', 'joint_tolerance', 'output')
OF_REPLAY = ('topics', 'speed', 'start', 'end', 'loop', 'stamps', 'clock', 'into', 'yes')


def _finite(_: click.Context, parameter: click.Parameter, value: float | None) -> float | None:
    """Refuse what is no number, such as nan, which no range does."""
    if value is not None and not isfinite(value):
        raise click.BadParameter(f'{value} is no number of seconds or times', param=parameter)
    return value


@click.command(
    epilog='Examples: leg-kinematics replay recording_20261130_101500;  '
    'leg-kinematics replay recording_20261130_101500 joint_trajectory --from 12 --to 20 '
    '--speed 0.5;  leg-kinematics replay recording_20261130_101500 --compare'
)
@bag_argument
@click.argument('topics', nargs=-1, metavar='[TOPIC]...')
@click.option(
    '--speed',
    type=click.FloatRange(0.1, 10.0),
    default=1.0,
    show_default=True,
    callback=_finite,
    help='How many times as fast as then.',
)
@click.option(
    '--from',
    'start',
    type=click.FloatRange(0.0),
    callback=_finite,
    help='Begin so many s into the run.',
)
@click.option(
    '--to',
    'end',
    type=click.FloatRange(0.0),
    callback=_finite,
    help='End so many s into the run.',
)
@click.option('--loop', is_flag=True, help='Over and over, until it is stopped.')
@click.option(
    '--stamps',
    type=click.Choice(['now', 'recorded']),
    default='now',
    show_default=True,
    help='recorded: every message is sent just as it was; a gait refuses velocities that are old.',
)
@click.option('--clock', is_flag=True, help='Send the time of the recording on /clock.')
@click.option(
    '--into',
    metavar='NAMESPACE',
    callback=optional_namespace_of,
    help='Of the chain that shall do it again. Default: that of the recording.',
)
@click.option(
    '--compare',
    is_flag=True,
    help="Move nothing: hold the run against what today's code makes of it.",
)
@click.option(
    '--foot-tolerance',
    type=click.FloatRange(0.0),
    default=0.01,
    show_default=True,
    help='With --compare: up to so many mm a foot is in the same place.',
)
@click.option(
    '--joint-tolerance',
    type=click.FloatRange(0.0),
    default=0.0005,
    show_default=True,
    help='With --compare: up to so many rad an angle is the same.',
)
@click.option(
    '--output',
    type=click.Path(file_okay=False, path_type=Path),
    default='compare-output',
    show_default=True,
    help='With --compare: folder of the picture.',
)
@recorded_chain_option
@network_option
@yes_option
@click.option('--json', 'as_json', is_flag=True, help='Print the result as JSON.')
def replay(
    *,
    bag: Path,
    topics: tuple[str, ...],
    speed: float,
    start: float | None,
    end: float | None,
    loop: bool,
    stamps: str,
    clock: bool,
    into: str | None,
    compare: bool,
    foot_tolerance: float,
    joint_tolerance: float,
    output: Path,
    namespace: str | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Have a chain do a recorded run again, or compare.

    TOPIC is what is replayed: cmd_vel with body_offset and gait/duty_factor where none is named;
    or foot_targets, or joint_trajectory; and any other that was recorded. The robot goes the way
    of the recording, at any speed, as far as its limits let it; space pauses and goes on, q stops.

    It joins the chain that runs in the namespace. Where none runs it starts one on a mock board,
    of the robot that is in the recording. No order is replayed: you power the robot and call
    gait/stand. A robot that loses its power ends the replay, and so does somebody else who drives.

    With --compare nothing moves: gait, kinematics and bridge get what they got then, at the
    recorded instants. Robot, servo maps and parameters are those of the run. The first and the
    worst difference are told, so that a robot that walked yesterday is a test of what is changed
    today. A gait is compared from the first gait/stand of the recording on, the bridge by
    joint_states, from which the servo maps make the pulses.

    Exit codes: 0 played to the end, or all the same; 1 refused, stopped, or something differs; 2 a
    wrong command line, or the recording cannot be used.
    """
    _refuse_options(OF_REPLAY if compare else OF_COMPARISON, comparing=compare)
    try:
        # Imported here: --help shall not wait for ROS 2.
        from leg_kinematics.commands.recordings.comparing import compare_run  # noqa: PLC0415
        from leg_kinematics.commands.recordings.replaying import Request, carry_out  # noqa: PLC0415
        from leg_kinematics.recording.bag.reader import read_whole  # noqa: PLC0415
        from leg_kinematics.recording.replaying.reading import contents_of  # noqa: PLC0415
        from leg_kinematics.recording.run import Run  # noqa: PLC0415

        reader, messages = read_whole(bag)
        run = Run(messages, reader.attachments, namespace)
        if compare:
            compare_run(run, foot_tolerance * 1e-3, joint_tolerance, output, as_json=as_json)
        span = _span(start, end, run.seconds)
        contents = contents_of(run, topics, *span, as_recorded=stamps == 'recorded')
    except LegKinematicsError as error:
        raise WrongFileError(str(error)) from error
    request = Request(
        run,
        reader.channels,
        contents,
        speed=speed,
        loop=loop,
        restamped=stamps == 'now',
        clock=clock,
        namespace=into or run.namespace,
        yes=yes,
    )
    carry_out(request, as_json=as_json)


def _refuse_options(names: tuple[str, ...], *, comparing: bool) -> None:
    """Refuse options that would have no effect."""
    context = click.get_current_context()
    for parameter in context.command.params:
        name = parameter.name or ''
        typed = context.get_parameter_source(name) is ParameterSource.COMMANDLINE
        if name in names and typed and context.params[name]:
            what = 'has no meaning with --compare' if comparing else 'needs --compare'
            option = isinstance(parameter, click.Option)
            raise click.UsageError(f'{parameter.opts[0] if option else "TOPIC"} {what}')


def _span(start: float | None, end: float | None, seconds: float) -> tuple[float, float]:
    """Give the part that is meant, s from the beginning."""
    first, last = start or 0.0, seconds if end is None else min(end, seconds)
    if first >= last:
        _refuse_span(first, last, seconds)
    return first, last


def _refuse_span(first: float, last: float, seconds: float) -> NoReturn:
    raise click.UsageError(
        f'nothing is between {first:g} and {last:g} s: the recording takes {seconds:.1f} s, and '
        '--from lies before --to'
    )
