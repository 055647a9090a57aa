# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What `leg-kinematics replay --compare` tells of a recorded run and today's code."""

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from leg_kinematics.commands.options.files import WrongFileError, make_output_folder

if TYPE_CHECKING:
    from leg_kinematics.recording.differences import Comparison, Difference
    from leg_kinematics.recording.run import Run


def compare_run(
    run: 'Run', foot_tolerance: float, joint_tolerance: float, output: Path, *, as_json: bool
) -> NoReturn:
    """Tell what differs, draw it, and end the command: 0 where nothing does, 1 otherwise.

    Parameters
    ----------
    run
        The recording.
    foot_tolerance, joint_tolerance
        Up to this a foot, m, and an angle, rad, are the same.
    output
        Folder of the picture.
    as_json
        Whether a script reads it.

    Raises
    ------
    LegKinematicsError
        It cannot be compared.

    """
    # Imported here: --help shall not wait for ROS 2.
    from leg_kinematics.recording.comparison import compare  # noqa: PLC0415
    from leg_kinematics.recording.comparison_picture import draw_comparison  # noqa: PLC0415

    found = compare(run, foot_tolerance, joint_tolerance)
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
