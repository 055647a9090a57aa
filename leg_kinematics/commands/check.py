# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics check`: a report to read before anything is printed or glued."""

import json
import sys
from dataclasses import asdict
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.markup import escape
from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.table import Table

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.commands.files import WrongFileError, make_output_folder
from leg_kinematics.design.finding import Verdict
from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot import load_robot

if TYPE_CHECKING:
    from leg_kinematics.design.report import Report

COLOURS = {Verdict.PASS: 'green', Verdict.TIGHT: 'yellow', Verdict.FAIL: 'red'}

CAPTION = 'In brackets: beyond this a line fails. Torques in percent of the stall torque.'


@click.command(epilog='Example: leg-kinematics check config/robots/bracken.yaml')
@click.argument('robot', type=click.Path(path_type=Path))
@click.option(
    '--servo-maps',
    type=click.Path(path_type=Path),
    help='Of this robot; then the pulses are checked as well.',
)
@click.option(
    '--output',
    type=click.Path(file_okay=False, writable=True, path_type=Path),
    default=Path('check-output'),
    show_default=True,
    help='Folder for the pictures.',
)
@click.option('--json', 'as_json', is_flag=True, help='Print the report for a script to read.')
def check(*, robot: Path, servo_maps: Path | None, output: Path, as_json: bool) -> None:
    """Question the design that the file ROBOT describes.

    Reach, freedom of the body, speed, torque, support, clearance of legs, body and ground, how
    long the battery lasts and, with servo maps, pulses and straight lines: each line says pass,
    tight or fail, and what would help. What may be a slip of the pen, such as a leg on the wrong
    side, is told as a doubt, and the leg is red in the picture of the robot. Exit code 0 when
    nothing fails, 1 when something does, 2 when a file is wrong.
    """
    try:
        described = load_robot(robot)
        maps = None if servo_maps is None else load_servo_maps(servo_maps, described)
    except DescriptionError as error:
        raise WrongFileError(str(error)) from error
    make_output_folder(output)
    console = Console(stderr=as_json)
    columns = (SpinnerColumn(), TextColumn('{task.description}'), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task('starting', total=None)
        # Imported here: --help shall not wait for scipy and matplotlib.
        from leg_kinematics.design.report import check_robot  # noqa: PLC0415

        report = check_robot(
            described, maps, lambda doing: progress.update(task, description=doing)
        )
        progress.update(task, description='drawing')
        from leg_kinematics.design.pictures import draw  # noqa: PLC0415

        pictures = draw(described, report, output)
    if as_json:
        lines = [asdict(each) | {'verdict': each.verdict} for each in report.findings]
        click.echo(
            json.dumps(
                {
                    'robot': described.name,
                    'verdict': report.verdict,
                    'findings': lines,
                    'doubts': [asdict(each) for each in report.doubts],
                    'remarks': report.remarks,
                },
                indent=2,
            )
        )
    else:
        _print(described.name, report, console)
        console.print(f'Pictures: {", ".join(map(str, pictures))}', soft_wrap=True)
    sys.exit(1 if report.verdict is Verdict.FAIL else 0)


def _print(name: str, report: 'Report', console: Console) -> None:
    table = Table(
        title=f'{name}: {report.verdict}',
        title_justify='left',
        caption=CAPTION,
        caption_justify='left',
        box=SIMPLE_HEAD,
        pad_edge=False,
    )
    table.add_column('check', no_wrap=True)
    table.add_column('value', justify='right', no_wrap=True)
    table.add_column('to pass (fail)', no_wrap=True)
    table.add_column('where', overflow='fold')
    table.add_column('', no_wrap=True)
    for group, findings in groupby(report.findings, key=lambda finding: finding.group):
        table.add_section()
        table.add_row(f'[bold]{group}[/]')
        for finding in findings:
            table.add_row(
                finding.name,
                finding.shown(finding.value),
                finding.shown_bounds,
                finding.detail,
                f'[{COLOURS[finding.verdict]}]{finding.verdict}[/]',
            )
    console.print(table)
    for doubt in report.doubts:
        console.print(f'[yellow]doubt[/] {escape(doubt.seen)}', highlight=False, soft_wrap=True)
        console.print(f'     Cure: {escape(doubt.cure)}.', highlight=False, soft_wrap=True)
    for remark in report.remarks:
        console.print(f'[cyan]note[/] {escape(remark)}', highlight=False, soft_wrap=True)
    failing: dict[tuple[Verdict, str, str], list[str]] = {}
    for finding in report.findings:
        if finding.verdict is not Verdict.PASS:
            key = (finding.verdict, finding.group, finding.remedy)
            failing.setdefault(key, []).append(finding.name)
    for (verdict, group, remedy), names in failing.items():
        console.print(
            f'[{COLOURS[verdict]}]{verdict}[/] {group}: {", ".join(names)}', highlight=False
        )
        console.print(f'     What would help: {remedy}.', highlight=False)
