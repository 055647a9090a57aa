# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics compare`: a recorded run beside what today's code makes of it."""

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from leg_kinematics.commands.options.files import WrongFileError, make_output_folder
from leg_kinematics.commands.recordings.bag_options import bag_argument, recorded_chain_option
from leg_kinematics.errors import LegKinematicsError

if TYPE_CHECKING:
    from leg_kinematics.recording.comparison import Comparison, Difference
    from leg_kinematics.recording.run import Run


@click.command(
    epilog='Examples: leg-kinematics compare recording_20261130_101500;  '
    'leg-kinematics compare recording_20261130_101500 --foot-tolerance 0.1'
)
@bag_argument
@click.option(
    '--foot-tolerance',
    type=click.FloatRange(0.0),
    default=0.01,
    show_default=True,
    help='Up to so many mm a foot is in the same place.',
)
@click.option(
    '--joint-tolerance',
    type=click.FloatRange(0.0),
    default=0.0001,
    show_default=True,
    help='Up to so many rad an angle is the same.',
)
@recorded_chain_option
@click.option(
    '--output',
    type=click.Path(file_okay=False, path_type=Path),
    default='compare-output',
    show_default=True,
    help='Folder of the picture.',
)
@click.option('--json', 'as_json', is_flag=True, help='Print everything as JSON.')
def compare(
    *,
    bag: Path,
    foot_tolerance: float,
    joint_tolerance: float,
    namespace: str | None,
    output: Path,
    as_json: bool,
) -> None:
    """Hold a recorded run against what today's code makes of it.

    Gait and kinematics get what they got then, at the recorded instants, and nothing moves. Robot,
    servo maps and parameters are those of the run. The first and the worst difference are told, so
    that a robot that walked yesterday is a test of what is changed today.

    A gait is compared from the first gait/stand of the recording on. The bridge is not compared.

    Exit codes: 0 all the same; 1 something differs; 2 it cannot be compared.
    """
    try:
        # Imported here: --help shall not wait for ROS 2.
        from leg_kinematics.recording.bag.reader import read_whole  # noqa: PLC0415
        from leg_kinematics.recording.comparison import compare as hold_against  # noqa: PLC0415
        from leg_kinematics.recording.comparison_picture import draw_comparison  # noqa: PLC0415
        from leg_kinematics.recording.run import Run  # noqa: PLC0415

        reader, messages = read_whole(bag)
        run = Run(messages, reader.attachments, namespace)
        found = hold_against(run, foot_tolerance * 1e-3, joint_tolerance)
    except LegKinematicsError as error:
        raise WrongFileError(str(error)) from error
    make_output_folder(output)
    picture = output / 'comparison.png'
    draw_comparison(found, picture)
    if as_json:
        stages = {each.stage: _as_json(each) for each in found}
        click.echo(json.dumps({'stages': stages, 'picture': str(picture)}, indent=2))
    else:
        for each in found:
            _tell(each)
            _tell_pause(each, run)
        click.echo(str(picture))
    if not any(len(each.sizes) or each.refused for each in found):
        raise WrongFileError('nothing in the recording can be compared')
    sys.exit(0 if all(each.same for each in found) else 1)


def _tell(found: 'Comparison') -> None:
    """Tell a person of one stage."""
    worst = f'{found.sizes.max():.3g} {found.unit}' if len(found.sizes) else 'nothing'
    verdict = 'the same' if found.same else 'DIFFERENT'
    click.echo(
        f'{found.stage}: {verdict}; {found.differing} of {len(found.sizes)} messages differ, by '
        f'{worst} at most'
    )
    if found.left_out:
        click.echo(
            f'  {found.left_out} messages were left out: what led to them is not in the recording'
        )
    if found.first is not None and found.worst is not None:
        click.echo(f'  first: {_words(found.first, found.unit)}')
        click.echo(f'  worst: {_words(found.worst, found.unit)}')
    if found.refused:
        at, reason = found.refused[0]
        count = len(found.refused)
        click.echo(f'  {count} more have no answer today, the first at {at:.3f} s: {reason}')


def _tell_pause(found: 'Comparison', run: 'Run') -> None:
    """Say where a difference may come from the recording: it does not say when a pause ended."""
    if found.stage != 'gait' or found.same:
        return
    since = run.seconds if found.first is None else found.first.at
    for status in run.statuses:
        if status.name == 'gait' and status.state == 'paused' and status.at <= since:
            click.echo(
                f'  the gait had paused at {status.at:.3f} s ({status.words}): what follows a '
                'pause can differ without a change of the code'
            )
            return


def _words(found: 'Difference', unit: str) -> str:
    then, today = (
        '(' + ', '.join(f'{each:.6f}' for each in values) + ')'
        for values in (found.recorded, found.today)
    )
    return (
        f'at {found.at:.3f} s, message {found.tick}, {found.what}: {then} then, {today} today, '
        f'{found.size:.3g} {unit} apart'
    )


def _as_json(found: 'Comparison') -> dict[str, object]:
    return {
        'same': found.same,
        'compared': len(found.sizes),
        'differing': found.differing,
        'left_out': found.left_out,
        'unit': found.unit,
        'tolerance': found.tolerance,
        'largest': float(found.sizes.max(initial=0.0)),
        'first': found.first and asdict(found.first),
        'worst': found.worst and asdict(found.worst),
        'without_answer': [list(each) for each in found.refused],
    }
