# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics demo`: a robot walks against mock boards, and is measured."""

import json
import sys
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from os import getpid
from pathlib import Path
from shlex import quote
from time import CLOCK_MONOTONIC, CLOCK_REALTIME, clock_gettime

import click
import numpy as np
from rich.console import Console
from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.table import Table

from leg_kinematics.board import read_log
from leg_kinematics.calibration import ServoMaps, load_servo_maps
from leg_kinematics.commands.options.chain_options import network_option
from leg_kinematics.commands.options.files import (
    InputFile,
    WrongFileError,
    config_folder,
    gait_parameters_of,
    make_output_folder,
)
from leg_kinematics.commands.watched_demo import DemoRecorder, shown_live
from leg_kinematics.design.design import Design
from leg_kinematics.design.tour import Tour, plan_tour
from leg_kinematics.errors import BagError, LegKinematicsError
from leg_kinematics.nodes.taking_part.chain_processes import NODES, Chain, MockBoards
from leg_kinematics.robot import load_robot

#: Of the planned way; a part of it is lost to starting and to turning round.
SHORTEST_WALK = 0.6

#: m, and as a share of the leg where that is more: pulses are rounded, and long legs show it.
WORST_FOOT_ERROR = 0.5e-3
WORST_FOOT_ERROR_SHARE = 2.4e-3

WORST_DISTANCE_ERROR = 0.005

#: Between poses, ms: three ticks. More hints at a machine that was busy elsewhere.
LONGEST_PERIOD = 30.0


@dataclass(frozen=True)
class Summary:
    """The figures of a demo run; SI units, latency and period in ms."""

    robot: str
    planned_distance_m: float
    commanded_distance_m: float
    walked_distance_m: float
    odometry_difference_m: float
    gait_ticks: int
    gait_missed_ticks: int
    poses: int
    frames_refused: int
    frames_bad: int
    worst_foot_error_mm: float
    allowed_foot_error_mm: float
    latency_median_ms: float
    latency_p99_ms: float
    pose_period_p50_ms: float
    pose_period_p99_ms: float
    pose_period_max_ms: float
    smallest_support_margin_mm: float
    exit_codes: dict[str, int]

    def faults(self) -> list[str]:
        """Say what was not as it must be; nothing after a good run."""
        found = []
        if not self.walked_distance_m > SHORTEST_WALK * self.planned_distance_m:
            found.append(
                f'the robot walked {self.walked_distance_m:.3f} m only, of '
                f'{self.planned_distance_m:.3f} m that were planned'
            )
        if not self.worst_foot_error_mm <= self.allowed_foot_error_mm:
            fault = (
                f'a foot was {self.worst_foot_error_mm:.2f} mm from its target, '
                f'{self.allowed_foot_error_mm:.2g} mm at most was expected'
            )
            if self.pose_period_max_ms > LONGEST_PERIOD:
                fault += (
                    f'; poses came up to {self.pose_period_max_ms:.0f} ms apart instead of 10 ms, '
                    f'as on a busy machine: close other programs and run it again'
                )
            found.append(fault)
        difference = abs(self.walked_distance_m - self.commanded_distance_m)
        if not difference <= WORST_DISTANCE_ERROR * self.commanded_distance_m:
            found.append(f'walked and commanded distance differ by {difference * 1e3:.1f} mm')
        if self.frames_refused:
            found.append(f'the board refused {self.frames_refused} frames')
        if not self.smallest_support_margin_mm > 0.0:
            found.append('the centre of mass left the support polygon')
        found += [
            f'{name} ended with exit code {code}' for name, code in self.exit_codes.items() if code
        ]
        return found


@click.command(
    epilog='Examples: leg-kinematics demo --output demo-output;  '
    'leg-kinematics demo --robot mine.yaml --servo-maps mine-maps.yaml'
)
@click.option(
    '--robot',
    type=InputFile(),
    help='Description of the robot. Default: the example robot.',
)
@click.option(
    '--servo-maps',
    type=InputFile(),
    help='Its servo maps. Default: those of the example robot.',
)
@click.option(
    '--output',
    type=click.Path(file_okay=False, writable=True, path_type=Path),
    default=Path('demo-output'),
    show_default=True,
    help='Folder for pictures, logs and summary.json.',
)
@click.option(
    '--params-file',
    type=click.Path(path_type=Path),
    help='Parameters of the nodes, as `run` takes them. Default: their default values.',
)
@click.option('--view', is_flag=True, help='Show the walk live, on a page in a browser.')
@network_option
@click.option('--json', 'as_json', is_flag=True, help='Print the summary for a script to read.')
def demo(
    *,
    robot: Path | None,
    servo_maps: Path | None,
    output: Path,
    params_file: Path | None,
    view: bool,
    as_json: bool,
) -> None:
    """Walk the example robot, or your own, against mock servo boards.

    Starts a mock for every board that the servo maps name and the three nodes as processes, stands
    up, walks forward, sideways, turns, walks an arc, each at two thirds of what the robot can,
    stops and crouches; then measures from the pulses that the boards were told where the feet
    went. The walk is recorded where the extra `bag` is installed. No hardware is touched. Exit code
    0 only after a good run.
    """
    config = config_folder()
    files = (
        robot or config / 'robots' / 'bracken.yaml',
        servo_maps or config / 'servo_maps' / 'bracken.yaml',
    )
    try:
        described = load_robot(files[0])
        maps = load_servo_maps(files[1], described)
        design = Design(described, maps, gait_parameters_of(params_file))
        tour = plan_tour(design)
    except LegKinematicsError as error:
        raise WrongFileError(str(error)) from error
    make_output_folder(output)
    console = Console(stderr=as_json)
    try:
        summary, seen_again = _walk(
            files, params_file, design, maps, tour, output=output, view=view, console=console
        )
    except LegKinematicsError as error:
        console.print(f'[red]{error}[/red]\nThe logs of the nodes are in {output}.')
        sys.exit(2)
    (output / 'summary.json').write_text(json.dumps(asdict(summary), indent=2) + '\n')
    if as_json:
        click.echo(json.dumps(asdict(summary), indent=2))
    else:
        console.print(_table(summary))
        console.print(f'Pictures and summary.json are in {output}.')
    # A command may be longer than the screen is wide, and an extra is named in square brackets.
    for line in seen_again:
        console.print(line, highlight=False, markup=False, soft_wrap=True)
    faults = summary.faults()
    for fault in faults:
        console.print(f'[red]{fault}[/red]')
    sys.exit(1 if faults else 0)


def _walk(
    files: tuple[Path, Path],
    params_file: Path | None,
    design: Design,
    maps: ServoMaps,
    tour: Tour,
    *,
    output: Path,
    view: bool,
    console: Console,
) -> tuple[Summary, tuple[str, ...]]:
    robot, legs = design.robot, design.legs
    namespace = f'/demo_{getpid()}'
    columns = (SpinnerColumn(), TextColumn('{task.description}'), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as progress:
        task = progress.add_task('starting the nodes', total=None)
        mocks = MockBoards(maps.boards, output)
        chain = Chain(
            *files,
            namespace,
            output,
            params_file=params_file,
            parameters={
                'gait': {'duty_factor': tour.duty_factor},
                'bridge': {'boards': mocks.specs},
            },
            at_once=NODES,
        )
        with ExitStack() as stack:
            stack.enter_context(mocks)
            stack.enter_context(chain)
            # Imported here: --help shall not wait for ROS 2, and the nodes start meanwhile.
            from leg_kinematics.nodes.taking_part.operator import Operator  # noqa: PLC0415

            operator = Operator(
                namespace, lambda doing: progress.update(task, description=doing or 'starting')
            )
            stack.callback(operator.close)
            recorder = stack.enter_context(DemoRecorder(namespace, output))
            if view:
                stack.enter_context(shown_live(namespace))
            operator.bring_up()
            operator.stand()
            for twist, seconds, what in tour.parts:
                operator.drive(twist, seconds, what)
            operator.wait_for('gait', 'standing')
            operator.crouch()
            seen_again = _end_recording(recorder)
        progress.update(task, description='measuring')
        # Imported here: the robot shall not wait for it.
        from leg_kinematics.recording.counts import counts  # noqa: PLC0415
        from leg_kinematics.recording.pictures import draw  # noqa: PLC0415
        from leg_kinematics.recording.walk import (  # noqa: PLC0415
            distances,
            foot_errors,
            read_walk,
            smallest_margin,
        )

        offset = clock_gettime(CLOCK_REALTIME) - clock_gettime(CLOCK_MONOTONIC)
        targets = operator.targets_heard()
        logs = {name: read_log(log) for name, log in mocks.logs.items()}
        walk = read_walk(legs, maps, targets, operator.odometry_heard(), logs, clock_offset=offset)
        feet = foot_errors(walk)
        commanded, walked, difference = distances(walk)
        margin = smallest_margin(walk, robot, legs)
        progress.update(task, description='drawing')
        draw(walk, robot, maps, output)
    periods = np.diff(walk.pose_times) * 1e3
    longest = max(sum(link.length for link in leg.links) for leg in robot.legs)
    summary = Summary(
        robot=robot.name,
        planned_distance_m=tour.length,
        commanded_distance_m=commanded,
        walked_distance_m=walked,
        odometry_difference_m=difference,
        **asdict(counts(targets, [record for log in logs.values() for record in log])),
        worst_foot_error_mm=float(feet.errors.max() * 1e3),
        allowed_foot_error_mm=max(WORST_FOOT_ERROR, WORST_FOOT_ERROR_SHARE * longest) * 1e3,
        latency_median_ms=float(np.median(feet.latencies) * 1e3),
        latency_p99_ms=float(np.percentile(feet.latencies, 99) * 1e3),
        pose_period_p50_ms=float(np.percentile(periods, 50)),
        pose_period_p99_ms=float(np.percentile(periods, 99)),
        pose_period_max_ms=float(periods.max()),
        smallest_support_margin_mm=margin * 1e3,
        exit_codes=chain.exit_codes | mocks.exit_codes,
    )
    return summary, seen_again


def _end_recording(recorder: DemoRecorder) -> tuple[str, ...]:
    """End the recording; say how the walk is seen again, or why it is not."""
    try:
        recording = recorder.end()
    except BagError as error:
        return (f'The walk cannot be seen again: {error}',)
    command = f'leg-kinematics view --browser {quote(str(recording))}'
    return ('See the walk in a browser:', command)


def _table(summary: Summary) -> Table:
    table = Table(title=f'The walk of {summary.robot}, measured from the pulses told to the boards')
    table.add_column('figure', overflow='fold')
    table.add_column('value', justify='right', overflow='fold')
    rows = (
        ('planned distance', f'{summary.planned_distance_m:.4f} m'),
        ('commanded distance (limited velocity)', f'{summary.commanded_distance_m:.4f} m'),
        ('walked distance (odometry)', f'{summary.walked_distance_m:.4f} m'),
        ('largest difference of both ways', f'{summary.odometry_difference_m * 1e3:.3f} mm'),
        ('gait ticks, missed', f'{summary.gait_ticks}, {summary.gait_missed_ticks}'),
        ('poses that the boards took', f'{summary.poses}'),
        ('frames refused, broken', f'{summary.frames_refused}, {summary.frames_bad}'),
        ('worst foot error (latency removed)', f'{summary.worst_foot_error_mm:.3f} mm'),
        (
            'lag behind the stamps of the gait, median, p99',
            f'{summary.latency_median_ms:.1f}, {summary.latency_p99_ms:.1f} ms',
        ),
        (
            'period of poses at the board, p50, p99, max',
            ', '.join(
                f'{period:.2f}'
                for period in (
                    summary.pose_period_p50_ms,
                    summary.pose_period_p99_ms,
                    summary.pose_period_max_ms,
                )
            )
            + ' ms',
        ),
        ('smallest support margin', f'{summary.smallest_support_margin_mm:.1f} mm'),
    )
    for row in rows:
        table.add_row(*row)
    return table
