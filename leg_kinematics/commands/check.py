# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics check`: a report to read before anything is printed or glued."""

import json
import sys
from collections.abc import Callable
from contextlib import closing
from dataclasses import asdict
from functools import partial
from itertools import groupby
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import click
from rich.console import Console
from rich.markup import escape
from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.commands.options.files import (
    gait_parameters_of,
    loaded,
    make_output_folder,
)
from leg_kinematics.commands.options.page_options import page_options, serve_page
from leg_kinematics.commands.terminal.page import page_width, print_folded, print_line
from leg_kinematics.design.finding import Finding, Verdict
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.robot import load_robot
from leg_kinematics.robot.text_file import read_text

if TYPE_CHECKING:
    from leg_kinematics.design.design import Design
    from leg_kinematics.design.report import Report

COLOURS = {Verdict.PASS: 'green', Verdict.TIGHT: 'yellow', Verdict.FAIL: 'red'}


@click.command(
    epilog='Examples: leg-kinematics check config/robots/bracken.yaml;  leg-kinematics check '
    'config/robots/bracken.yaml --page --browser'
)
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
@click.option(
    '--page',
    is_flag=True,
    help='Show robot and report on a page in a browser, anew whenever a file is saved.',
)
@page_options
def check(
    *,
    robot: Path,
    servo_maps: Path | None,
    params_file: Path | None,
    output: Path,
    as_json: bool,
    page: bool,
    lan: str | None,
    port: int,
    browser: bool,
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

    With --page the files are watched until Ctrl-C: edit them beside the page. A robot that is saved
    stands there within a second; the report follows after some seconds, and what would help last.
    The page is for this computer alone unless --lan names one of its addresses. The exit code is
    that of the latest report, and 2 when there is none yet or a file is wrong; 1 as well when the
    page cannot be served.
    """
    if page:
        if as_json:
            raise click.UsageError('a page is for people to read: leave --json or --page out')
        files = [each for each in (robot, servo_maps, params_file) if each is not None]
        make_output_folder(output)
        load = partial(load_design, robot, servo_maps, params_file)
        sys.exit(_show(files, load, output, lan=lan, port=port, browser=browser))
    if lan is not None or browser:
        raise click.UsageError('--lan and --browser are for a page: add --page')
    design = loaded(partial(load_design, robot, servo_maps, params_file))
    make_output_folder(output)
    console = Console(stderr=as_json)
    columns = (SpinnerColumn(), TextColumn('{task.description}'), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task('starting', total=None)
        # Imported here: --help shall not wait for scipy and matplotlib.
        from leg_kinematics.design.report import check_robot  # noqa: PLC0415

        report = check_robot(
            design.robot,
            design.maps,
            lambda doing: progress.update(task, description=doing),
            design.parameters,
        )
        progress.update(task, description='drawing')
        from leg_kinematics.design.pictures import draw  # noqa: PLC0415

        pictures = draw(design.robot, report, output)
    if as_json:
        lines = [asdict(each) | {'verdict': each.verdict} for each in report.findings]
        click.echo(
            json.dumps(
                {
                    'robot': design.robot.name,
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
        _print(design.robot.name, report, console)
        console.print(f'Pictures: {", ".join(map(str, pictures))}', soft_wrap=True)
    sys.exit(1 if report.verdict is Verdict.FAIL else 0)


def _show(
    files: list[Path],
    load: Callable[[], 'Design'],
    output: Path,
    *,
    lan: str | None,
    port: int,
    browser: bool,
) -> int:
    """Show the report on a page until Ctrl-C; return the exit code."""
    for file in files:
        # What a file has wrong is told on the page, but one that is not there was mistyped.
        loaded(partial(read_text, file))
    try:
        # Imported here: --help shall not wait for scipy.
        from leg_kinematics.design.live.checking import ProcessChecker  # noqa: PLC0415
        from leg_kinematics.design.live.house import CheckHouse  # noqa: PLC0415

        with closing(ProcessChecker(load, output)) as checker:
            house = CheckHouse(files, load, checker, monotonic)
            serve_page(house, lan=lan, port=port, browser=browser, may='look at the design')
    except LegKinematicsError as error:
        raise click.ClickException(str(error)) from error
    return 2 if house.verdict is None else int(house.verdict is Verdict.FAIL)


def load_design(robot: Path, servo_maps: Path | None, params_file: Path | None) -> 'Design':
    """Read the files of a design.

    Raises
    ------
    LegKinematicsError
        One of them is wrong; the message names it.

    """
    described = load_robot(robot)
    maps = None if servo_maps is None else load_servo_maps(servo_maps, described)
    parameters = gait_parameters_of(params_file)
    # Imported here, after what may be wrong: neither --help nor an error shall wait for scipy.
    from leg_kinematics.design.design import Design  # noqa: PLC0415

    return Design(described, maps, parameters)


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
    print_folded(console, report.how_to_read)
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
