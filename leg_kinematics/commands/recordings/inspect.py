# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics inspect`: what happened in a recorded run."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.console import Console
from rich.table import Table

from leg_kinematics.commands.options.files import WrongFileError, make_output_folder
from leg_kinematics.commands.recordings.bag_options import bag_argument, recorded_chain_option
from leg_kinematics.errors import LegKinematicsError

if TYPE_CHECKING:
    from leg_kinematics.recording.hops import Times, TopicFigures
    from leg_kinematics.recording.run import Run
    from leg_kinematics.recording.timeline import Entry, Stop


@click.command(
    epilog='Examples: leg-kinematics inspect recording_20261130_101500;  '
    'leg-kinematics inspect recording_20261130_101500 --json'
)
@bag_argument
@recorded_chain_option
@click.option(
    '--output',
    type=click.Path(file_okay=False, path_type=Path),
    default='inspect-output',
    show_default=True,
    help='Folder of the pictures.',
)
@click.option('--json', 'as_json', is_flag=True, help='Print everything as JSON.')
def inspect(*, bag: Path, namespace: str | None, output: Path, as_json: bool) -> None:
    """Tell what happened in a run, and why it stopped.

    BAG is the folder of a recording or one of its files. States, orders, power, refusals, limits
    and silences are told in their order; then every stop with its likely cause, how long targets
    took from stage to stage, and how evenly every topic came.

    Exit codes: 0 told; 2 the recording cannot be read, or has no chain in it.
    """
    try:
        # Imported here: --help shall not wait for ROS 2.
        from leg_kinematics.recording.bag.reader import read_whole  # noqa: PLC0415
        from leg_kinematics.recording.hops import hops, topic_figures  # noqa: PLC0415
        from leg_kinematics.recording.run import Run  # noqa: PLC0415
        from leg_kinematics.recording.run_pictures import draw_run  # noqa: PLC0415
        from leg_kinematics.recording.timeline import stops, timeline  # noqa: PLC0415

        reader, messages = read_whole(bag)
        run = Run(messages, reader.attachments, namespace)
        told, stopped = timeline(run), stops(run)
        between, topics = hops(run), topic_figures(run)
    except LegKinematicsError as error:
        raise WrongFileError(str(error)) from error
    make_output_folder(output)
    pictures = draw_run(run, output)
    if as_json:
        result = {
            'namespace': run.namespace,
            'start_ns': run.start,
            'seconds': run.seconds,
            'timeline': [asdict(each) for each in told],
            'stops': [asdict(each) for each in stopped],
            'hops': {name: asdict(each) for name, each in between.items()},
            'worst_lag_rad': max((report.lag for _, report in run.reports), default=None),
            'topics': {topic: asdict(each) for topic, each in topics.items()},
            'pictures': [str(picture) for picture in pictures],
        }
        click.echo(json.dumps(result, indent=2))
        return
    _print(run, told, stopped, between, topics)
    for picture in pictures:
        click.echo(picture)


def _print(
    run: 'Run',
    told: 'Sequence[Entry]',
    stopped: 'Sequence[Stop]',
    between: 'Mapping[str, Times]',
    topics: 'Mapping[str, TopicFigures]',
) -> None:
    """Tell a person."""
    console = Console()
    table = Table(title=f'{run.namespace}, {run.seconds:.1f} s', title_justify='left')
    for heading in ('s', 'who', 'what'):
        table.add_column(heading, justify='right' if heading == 's' else 'left')
    for entry in told:
        table.add_row(f'{entry.at:.2f}', entry.who, entry.what)
    console.print(table)
    for stop in stopped:
        console.print(f'Stop at {stop.at:.2f} s ({stop.what}). Likely cause: {stop.cause}.')
    if not stopped:
        console.print('The robot did not stop in this run.')
    table = Table(title='Times in ms: median / 99 % / worst', title_justify='left')
    for heading in ('what', 'count', 'lost', 'on the way', 'interval'):
        table.add_column(heading, justify='left' if heading == 'what' else 'right')
    for name, each in between.items():
        table.add_row(name, str(each.count), '', _in_ms(each), '')
    for topic, figures in topics.items():
        lost = '?' if figures.lost is None else str(figures.lost)
        table.add_row(
            topic, str(figures.count), lost, _in_ms(figures.transit), _in_ms(figures.interval)
        )
    console.print(table)
    if run.reports:
        lag, at = max((report.lag, at) for at, report in run.reports)
        console.print(
            f'The joints were behind their stream by {lag:.4f} rad at most, at {at:.2f} s.'
        )


def _in_ms(times: 'Times | None') -> str:
    if times is None:
        return ''
    return ' / '.join(f'{each * 1e3:.2f}' for each in (times.median, times.p99, times.worst))
