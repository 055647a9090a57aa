# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics record`: a run in the standard bag format."""

import json
import sys
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import click
from rich.console import Console
from rich.live import Live
from rich.table import Table

from leg_kinematics.commands.options.chain_options import namespace_of, network_option
from leg_kinematics.commands.terminal.keys import Keys
from leg_kinematics.commands.terminal.signals import signals_noted
from leg_kinematics.errors import LegKinematicsError

if TYPE_CHECKING:
    from leg_kinematics.commands.recordings.recording_session import RecordingSession

#: What is shown is counted over so many seconds.
SHOW_EVERY = 1.0

MEGABYTE = 1_000_000


@click.command(
    epilog='Examples: leg-kinematics record;  leg-kinematics record --last 30;  '
    'leg-kinematics record /camera/info --output runs --max-duration 600'
)
@click.argument('topics', nargs=-1, metavar='[TOPIC]...')
@click.option(
    '--output',
    type=click.Path(file_okay=False, path_type=Path),
    default='.',
    show_default=True,
    help='Where the recording gets a folder of its own, named by date and time.',
)
@click.option(
    '--last',
    type=click.FloatRange(1.0, 3600.0),
    help='Keep only the last so many seconds, in memory. They are written when you press w, when '
    'a board or the power is lost, at a release, and when the bridge falls silent.',
)
@click.option(
    '--max-size',
    type=click.FloatRange(1.0),
    help='Begin another file when one has so many MB.',
)
@click.option(
    '--max-duration',
    type=click.FloatRange(1.0),
    help='Begin another file when one spans so many seconds.',
)
@click.option(
    '--namespace',
    default='/',
    show_default=True,
    callback=namespace_of,
    help='Of the robot on the network.',
)
@network_option
@click.option('--json', 'as_json', is_flag=True, help='Print the result as JSON at the end.')
def record(
    *,
    topics: tuple[str, ...],
    output: Path,
    last: float | None,
    max_size: float | None,
    max_duration: float | None,
    namespace: str,
    as_json: bool,
) -> None:
    """Record what passes through a chain, until Ctrl-C.

    The topics of the chain are recorded, and every TOPIC that is named, each from when somebody
    sends it. The recording has every message as it was on the wire, the parameters of the nodes,
    and the files of the robot. The robot walks on whatever becomes of the recording.

    Exit codes: 0 recorded; 1 nothing was heard, or the disk was full before the end; 2 it could
    not begin.
    """
    console = Console(stderr=True)
    try:
        # Imported here: --help shall not wait for ROS 2.
        from leg_kinematics.commands.recordings.recording_session import RecordingSession  # noqa: PLC0415

        session = RecordingSession(
            output,
            namespace,
            topics,
            last=last,
            max_bytes=round((max_size or 0.0) * MEGABYTE),
            max_seconds=max_duration or 0.0,
            tell=lambda words: console.print(words, highlight=False),
        )
    except LegKinematicsError as error:
        click.echo(f'Error: {error}', err=True)
        sys.exit(2)
    try:
        _run(session, console, last)
    finally:
        session.close()
    heard = session.recorder.topics
    for topic, reason in session.recorder.not_heard.items():
        console.print(f'Not recorded: {topic}: {reason}', highlight=False)
    if as_json:
        result = {
            'recordings': [str(folder) for folder in session.saved],
            'topics': {
                topic: {'messages': each.count, 'lost': each.lost} for topic, each in heard.items()
            },
            'disk_full': session.failed,
            'messages_not_written': session.unsaved,
        }
        click.echo(json.dumps(result, indent=2))
    else:
        console.print(_table(session, {}, 1.0))
        for folder in session.saved:
            click.echo(f'{folder}')
    sys.exit(1 if session.failed or not any(each.count for each in heard.values()) else 0)


def _run(session: 'RecordingSession', console: Console, last: float | None) -> None:
    """Record until somebody ends it, or the disk does."""
    with (
        signals_noted() as interrupted,
        Keys() as keys,
        Live(console=console, auto_refresh=False, transient=True) as live,
    ):
        where = f'the last {last:g} s, in memory' if last else f'into {session.folder}'
        hints = ['Ctrl-C or q ends it'] + (['w writes it now'] if last and keys.there else [])
        console.print(f'Recording {where}; {", ".join(hints)}.', highlight=False)
        before: dict[str, int] = {}
        shown = monotonic()
        while not (interrupted.yes or session.failed):
            session.step(0.02)
            for key in keys.pressed():
                if key == 'w' and last:
                    session.save('asked for by a key')
                interrupted.yes |= key == 'q'
            if (passed := monotonic() - shown) >= SHOW_EVERY:
                if console.is_terminal:
                    live.update(_table(session, before, passed), refresh=True)
                before = {topic: each.count for topic, each in session.recorder.topics.items()}
                shown += passed


def _table(session: 'RecordingSession', before: dict[str, int], seconds: float) -> Table:
    """Show what was heard of every topic, with its rate since it was shown last."""
    rates = bool(before)
    size = f'{session.size / MEGABYTE:.2f} MB' if session.size else ''
    table = Table(title=size or None, title_justify='left')
    table.add_column('topic')
    table.add_column('messages', justify='right')
    if rates:
        table.add_column('1/s', justify='right')
    table.add_column('lost', justify='right')
    for topic, heard in sorted(session.recorder.topics.items()):
        rate = [f'{(heard.count - before.get(topic, 0)) / seconds:.1f}'] if rates else []
        lost = f'[red]{heard.lost}[/red]' if heard.lost else '0'
        table.add_row(topic, str(heard.count), *rate, lost)
    return table
