# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics jog`: one foot or one joint moved by hand, key by key."""

import sys
from pathlib import Path

import click
from rich.console import Console

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.commands.feet.kept_file import KeptFile
from leg_kinematics.commands.options.chain_options import ChainOptions, chain_options
from leg_kinematics.commands.options.files import WrongFileError
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.moves.jogging import Jogging, Leave
from leg_kinematics.moves.places import Frame
from leg_kinematics.moves.sequence import step_text
from leg_kinematics.robot.near import did_you_mean


@click.command(
    epilog='Examples: leg-kinematics jog;  '
    'leg-kinematics jog left_front --frame leg --keep bench.yaml'
)
@click.argument('leg', default='')
@click.option(
    '--frame',
    type=click.Choice([str(frame) for frame in Frame]),
    default=str(Frame.RESTING),
    show_default=True,
    help='Whose axes the places of feet are told in at first: from where the foot rests, of the '
    'mount of the leg, or of the body.',
)
@click.option(
    '--keep',
    type=click.Path(dir_okay=False, path_type=Path),
    help='Sequence to which places are kept. If the file is there, they are added at its end, '
    'after a question.',
)
@chain_options
def jog(*, leg: str, frame: str, keep: Path | None, options: ChainOptions) -> None:
    """Move a foot or a joint by hand, a step for every key.

    LEG is the leg to begin with. The screen shows where its foot is, its angles and pulses, what
    is left to every limit, and the keys; arrow and page keys do the same as w s a d r f. Nothing
    moves without a key. Each step is a straight line of the foot, also when a joint is turned: on
    the way the other joints give way a little. `leg-kinematics play` plays what was kept.

    Leaving holds, and so does Ctrl-C: the servos stay powered. With --release the pulses stop.
    """
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise click.UsageError(
            'keys and screen need a terminal, and input or output is none; in a script use '
            'leg-kinematics move'
        )
    # Imported here: --help shall not wait for ROS 2.
    from leg_kinematics.commands.feet.feet_session import FeetSession  # noqa: PLC0415
    from leg_kinematics.commands.feet.jogger import Jogger  # noqa: PLC0415

    file = None if keep is None else _kept_file(keep, yes=options.yes)
    console = Console()
    try:
        with FeetSession(options, console) as session:
            _check_leg(leg, session.calibrated)
            mover, _, _ = session.prepare(lambda plan: (plan([], None), None))
            jogging = Jogging(
                session.calibrated,
                leg,
                frame=Frame(frame),
                leave=Leave.RELEASE if options.release else Leave.HOLD,
            )
            console.print(session.where, highlight=False)
            leave = Jogger(mover, jogging, file, console).run()
            console.print(
                session.release() if leave is Leave.RELEASE else session.leave(), highlight=False
            )
    except LegKinematicsError as error:
        raise click.ClickException(str(error)) from error
    _tell_kept(jogging, file)


def _kept_file(path: Path, *, yes: bool) -> KeptFile:
    """Open the file to keep to; of one that is there a person is asked."""
    try:
        file = KeptFile(path)
    except LegKinematicsError as error:
        raise WrongFileError(str(error)) from error
    if path.exists() and not yes:
        click.confirm(
            f'{path} is there, with steps: {file.before}. Shall places be added at its end?',
            abort=True,
            err=True,
        )
    return file


def _check_leg(leg: str, calibrated: CalibratedRobot) -> None:
    """Refuse a leg that the robot does not have, or that has no servos."""
    robot, maps = calibrated.robot, calibrated.maps
    if not leg or leg in robot.leg_names:
        return
    legs = f'legs that can be moved: {", ".join(robot.leg_names)}'
    if leg in maps.not_wired:
        reason = f'{leg} is not wired, by {maps.document.file}; {legs}'
    else:
        reason = f'{robot.name} has no leg {leg!r}; {legs}{did_you_mean(leg, robot.leg_names)}'
    raise click.BadParameter(reason, param_hint='LEG')


def _tell_kept(jogging: Jogging, file: KeptFile | None) -> None:
    """Say where the steps are that were kept, or print them."""
    if not jogging.kept:
        return
    if file is not None:
        click.echo(f'Kept in {file.path}: {len(jogging.kept)}.')
        return
    click.echo('Kept, for the list of steps of a sequence:')
    click.echo(''.join(step_text(step) for step in jogging.kept), nl=False)
