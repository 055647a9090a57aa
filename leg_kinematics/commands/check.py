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
from rich.console import Console
from rich.markup import escape
from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.commands.options.files import (
    WrongFileError,
    gait_parameters_of,
    make_output_folder,
)
from leg_kinematics.commands.terminal.page import page_width, print_folded, print_line
from leg_kinematics.design.finding import Finding, Verdict
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.robot import load_robot

if TYPE_CHECKING:
    from leg_kinematics.design.report import Report

COLOURS = {Verdict.PASS: 'green', Verdict.TIGHT: 'yellow', Verdict.FAIL: 'red'}

BOUNDS = 'After each value stands what it takes to pass and, in brackets, where the line fails.'

OF_A_WALK = (
    'Torques are in percent of the stall torque, joint speeds of the no-load speed. The walks are '
    'the fastest that the gait walks with its parameters, each "at" a duty factor.'
)

OF_ONE_FOOT = (
    'A load at one foot is the largest before a servo stalls, held by one leg whose body is held '
    'fast; a servo that holds more than half of its stall torque for long overheats.'
)


@click.command(epilog='Example: leg-kinematics check config/robots/bracken.yaml')
@click.argument('robot', type=click.Path(path_type=Path))
@click.option(
    '--servo-maps',
    type=click.Path(path_type=Path),
    help='Of this robot; then the pulses are checked as well.',
)
@click.option(
    '--params-file',
    type=click.Path(path_type=Path),
    help='Parameters of the nodes, as `run` takes them: how the gait shall walk. Default: as it '
    'walks by default.',
)
@click.option(
    '--output',
    type=click.Path(file_okay=False, writable=True, path_type=Path),
    default=Path('check-output'),
    show_default=True,
    help='Folder for the pictures.',
)
@click.option('--json', 'as_json', is_flag=True, help='Print the report for a script to read.')
def check(
    *,
    robot: Path,
    servo_maps: Path | None,
    params_file: Path | None,
    output: Path,
    as_json: bool,
) -> None:
    """Question the design that the file ROBOT describes.

    Reach, freedom of the body, the fastest walks of the gait with their joint speeds, torques,
    support, clearance of legs, body and ground, how long the battery lasts and, with servo maps,
    pulses and straight lines: each line says pass, tight or fail, and what would help. A robot that
    lacks what a walk needs, such as a single leg on a bench, is asked the rest, and how much its
    foot holds up and presses down. Legs that the servo maps list as not wired are looked at, but
    not their pulses. For the worst failing line of each kind single changes are tried, and those
    that are enough told with their amounts. What may be a mistake, such as a leg on the wrong side,
    is told as a doubt, and the leg is red in the picture of the robot. Exit code 0 when nothing
    fails, 1 when something does, 2 when a file is wrong.
    """
    try:
        described = load_robot(robot)
        maps = None if servo_maps is None else load_servo_maps(servo_maps, described)
        parameters = gait_parameters_of(params_file)
    except LegKinematicsError as error:
        raise WrongFileError(str(error)) from error
    make_output_folder(output)
    console = Console(stderr=as_json)
    columns = (SpinnerColumn(), TextColumn('{task.description}'), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task('starting', total=None)
        # Imported here: --help shall not wait for scipy and matplotlib.
        from leg_kinematics.design.report import check_robot  # noqa: PLC0415

        report = check_robot(
            described, maps, lambda doing: progress.update(task, description=doing), parameters
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
                    'not_asked': [asdict(each) for each in report.not_asked],
                },
                indent=2,
            )
        )
    else:
        _print(described.name, report, console)
        console.print(f'Pictures: {", ".join(map(str, pictures))}', soft_wrap=True)
    sys.exit(1 if report.verdict is Verdict.FAIL else 0)


def _print(name: str, report: 'Report', console: Console) -> None:
    asked = ', as far as it can be asked' if report.not_asked else ''
    console.print(f'[bold]{escape(name)}: {_coloured(report.verdict)}[/]{asked}', highlight=False)
    columns = [max(map(len, column)) for column in zip(*map(_cells, report.findings), strict=True)]
    for group, findings in groupby(report.findings, key=lambda finding: finding.group):
        console.print(f'\n[bold]{escape(group)}[/]', highlight=False)
        for finding in findings:
            named, value, bounds = (
                f'{cell:{side}{width}}'
                for cell, side, width in zip(_cells(finding), '<><', columns, strict=True)
            )
            row = f'  {named}  {value}  {bounds}  {finding.verdict:5}'
            shown = escape(row.removesuffix(f'{finding.verdict:5}')) + _coloured(finding.verdict)
            if finding.detail and len(row) + 2 + len(finding.detail) <= page_width(console):
                padding = ' ' * (7 - len(finding.verdict))
                print_line(console, f'{shown}{padding}{escape(finding.detail)}')
            else:
                print_line(console, shown)
                print_folded(console, finding.detail, 4)
    console.print()
    print_folded(console, f'{BOUNDS} {OF_ONE_FOOT if report.not_asked else OF_A_WALK}')
    for each in report.not_asked:
        print_folded(console, f'not asked: {", ".join(each.questions)}', style='cyan')
        print_folded(console, f'Why: {each.reason}.', 5)
    for doubt in report.doubts:
        print_folded(console, f'doubt {doubt.seen}', style='yellow')
        print_folded(console, f'Cure: {doubt.cure}.', 5)
    for remark in report.remarks:
        print_folded(console, f'note {remark}', style='cyan')
    _print_remedies(report, console)


def _print_remedies(report: 'Report', console: Console) -> None:
    """Tell what would help the lines that do not pass, once for those that need the same."""
    failing: dict[tuple[Verdict, str, str], list[Finding]] = {}
    for finding in report.findings:
        if finding.verdict is not Verdict.PASS:
            key = (finding.verdict, finding.group, finding.remedy)
            failing.setdefault(key, []).append(finding)
    for (verdict, group, remedy), told in failing.items():
        names = '; '.join(finding.name for finding in told)
        print_folded(console, f'{verdict} {group}: {names}', style=COLOURS[verdict])
        print_folded(console, f'What would help: {remedy}.', 5)
        for finding in told:
            if finding.advice:
                tried = '; or '.join(finding.advice)
                print_folded(
                    console, f"Tried for the line '{finding.name}', each alone: {tried}.", 5
                )


def _cells(finding: Finding) -> tuple[str, str, str]:
    return (finding.name, finding.shown(finding.value), finding.shown_bounds)


def _coloured(verdict: Verdict) -> str:
    return f'[{COLOURS[verdict]}]{verdict}[/]'
