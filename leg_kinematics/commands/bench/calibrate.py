# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics calibrate`: horns fitted and servo maps measured, with a protractor."""

import json
import shutil
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click
from rich.console import Console

from leg_kinematics.commands.bench.bench_options import (
    FUSED,
    OPENED,
    bench_boards_option,
    store_limits_option,
)
from leg_kinematics.commands.options.chain_options import check_boards
from leg_kinematics.commands.options.files import InputFile, loaded, make_output_folder
from leg_kinematics.commands.options.page_options import PageOptions, asked_on_page
from leg_kinematics.commands.terminal.confirm import confirm, yes_option
from leg_kinematics.commands.terminal.somebody import see_that_somebody_is_there
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.robot import Robot, did_you_mean, load_robot

if TYPE_CHECKING:
    from leg_kinematics.calibration.joint_notes import JointResult, JointTask
    from leg_kinematics.calibration.readings_file import ReadingsFile

CAUTION = f"""\
CAUTION: servos start without warning and pinch, batteries burn, robots fall.
- Put the robot on a stand with its feet in the air; legs that are not measured are folded away.
{FUSED}
- A servo runs to its FIRST pulse at full speed. Keep hands, hair and eyes away then.
- A servo that growls presses against a stop: press t, or x, or switch off.
{OPENED}"""


@click.command(
    epilog='Examples: leg-kinematics calibrate mine.yaml --sheet sheet.pdf;  '
    'leg-kinematics calibrate mine.yaml --servo-maps mine-maps.yaml '
    '--board main=framed:/dev/ttyUSB0'
)
@click.argument('robot', type=InputFile())
@click.option(
    '--servo-maps',
    type=click.Path(dir_okay=False, path_type=Path),
    help='File that the maps are written to. It may be there, with maps for some joints or for '
    'all: what is measured takes their place, and the rest stays.',
)
@bench_boards_option
@click.option(
    '--joint',
    'joints',
    multiple=True,
    help='Measure this joint only, such as left_front_coxa; may be given several times. Default: '
    'all that the file of maps has, or all of the robot if it has none.',
)
@click.option(
    '--readings',
    type=click.Path(dir_okay=False, path_type=Path),
    help='File to which every answer is written at once, and from which the work is gone on with. '
    'Default: beside the servo maps.',
)
@click.option(
    '--sheet',
    type=click.Path(dir_okay=False, path_type=Path),
    help='Only write protractors to print, a PDF.',
)
@click.option(
    '--refit', is_flag=True, help='Move nothing: make the maps again from the file of readings.'
)
@click.option('--hold', is_flag=True, help='Leave the last servo powered. Default: pulses off.')
@store_limits_option
@asked_on_page
@click.option(
    '--output',
    type=click.Path(file_okay=False, writable=True, path_type=Path),
    default=Path('calibration-output'),
    show_default=True,
    help='Folder for the pictures.',
)
@yes_option
@click.option('--json', 'as_json', is_flag=True, help='Print the result for a script to read.')
def calibrate(
    *,
    robot: Path,
    servo_maps: Path | None,
    boards: tuple[str, ...],
    joints: tuple[str, ...],
    readings: Path | None,
    sheet: Path | None,
    refit: bool,
    hold: bool,
    store_limits: bool,
    page: PageOptions | None,
    output: Path,
    yes: bool,
    as_json: bool,
) -> None:
    """Measure the servo maps of a robot, one servo after another.

    ROBOT is its description; a protractor is wanted, or the sheet that --sheet writes.
    For every joint: its servo gets a pulse, the horn is fitted, the joint makes a small move whose
    way you tell, is led to its ends in small steps, and stands at seven pulses while you type the
    angles. One key undoes a step, another leaves; what was answered is kept, and the next call
    goes on there. Nothing is written to the servo maps before you say so, and the former file
    stays beside. This talks to the boards itself: no bridge may be running, and ROS 2 is not
    needed. On the mock the screen shows what a protractor would, and the maps are written to
    another file than yours.

    With --page the questions are asked on a page in a browser, beside a drawing of the joint that
    they are about; Ctrl-C here leaves as well.

    Exit code 0 when maps or sheet were written, or when you left; 1 for trouble with boards or
    files; 2 for a wrong command line or file.
    """
    described = loaded(lambda: load_robot(robot))
    if sheet is not None:
        _write_sheet(described, sheet)
        return
    if servo_maps is None:
        raise click.UsageError(
            'name the file that the maps are written to by --servo-maps; it may be a new one'
        )
    specs = () if boards == ('mock',) else boards
    work = _work(described, servo_maps, readings, joints, on_mock=not (specs or refit))
    make_output_folder(output)
    console = Console(stderr=as_json)
    try:
        if refit:
            results = _refit(work, yes=yes)
            write = bool(results)
        else:
            if page is None:
                see_that_somebody_is_there(console)
            if specs:
                needed = list(dict.fromkeys(task.output[0] for task in work.tasks))
                check_boards(specs, needed)
                specs = tuple(each for each in specs if each.partition('=')[0] in needed)
                confirm(CAUTION, 'Shall the boards be opened?', yes=yes)
            results, write = _measure(
                work, specs, console, page, hold=hold, store_limits=store_limits
            )
        _report(work, results, output, console, write=write, as_json=as_json)
    except LegKinematicsError as error:
        raise click.ClickException(f'{error}\n{work.kept}') from error


@dataclass(frozen=True)
class _Work:
    """What there is to do.

    Attributes
    ----------
    robot
        The description.
    tasks
        Joints to be measured.
    file
        Of readings.
    maps
        Where the servo maps are written.
    today
        The date.

    """

    robot: Robot
    tasks: 'tuple[JointTask, ...]'
    file: 'ReadingsFile'
    maps: Path
    today: date

    @property
    def kept(self) -> str:
        """Say where the answers are."""
        if not self.file.entries:
            return 'Nothing was measured.'
        return f'What was measured is in {self.file.path}: the same command goes on with it.'


def _work(
    robot: Robot, maps: Path, readings: Path | None, joints: tuple[str, ...], *, on_mock: bool
) -> _Work:
    """Read all files; on the mock a copy of the servo maps takes what is measured."""
    # Imported here: --help shall not wait for scipy.
    from leg_kinematics.calibration.loader import joint_maps_of  # noqa: PLC0415
    from leg_kinematics.calibration.maps_file import open_maps  # noqa: PLC0415
    from leg_kinematics.calibration.readings_file import ReadingsFile  # noqa: PLC0415
    from leg_kinematics.commands.bench.calibration_session import joint_tasks  # noqa: PLC0415
    from leg_kinematics.commands.bench.mock_robot import mock_copy  # noqa: PLC0415

    today = datetime.now().astimezone().date()
    if on_mock:
        copy = mock_copy(maps)
        if maps.exists() and not copy.exists():
            loaded(lambda: open_maps(maps, robot, today.isoformat()))
            shutil.copyfile(maps, copy)
        maps = copy
    for joint in joints:
        if joint not in robot.joints:
            raise click.BadParameter(
                f'{robot.name} has no joint {joint!r}; it has: {", ".join(robot.joints)}'
                f'{did_you_mean(joint, robot.joints)}',
                param_hint='--joint',
            )
    document = loaded(lambda: open_maps(maps, robot, today.isoformat()))
    mapped = loaded(lambda: joint_maps_of(document, robot))
    path = readings or maps.with_suffix('.readings.jsonl')
    file = loaded(lambda: ReadingsFile(path, robot, today))
    begun = {each.joint for each in mapped} | file.joints
    chosen = joints or [joint for joint in robot.joints if joint in begun or not mapped]
    tasks = loaded(lambda: joint_tasks(robot, mapped))
    return _Work(
        robot=robot,
        tasks=tuple(task for task in tasks if task.joint in chosen),
        file=file,
        maps=maps,
        today=today,
    )


def _measure(
    work: _Work,
    specs: tuple[str, ...],
    console: Console,
    page: PageOptions | None,
    *,
    hold: bool,
    store_limits: bool,
) -> 'tuple[Mapping[str, JointResult], bool]':
    """Lead through the dialogue; returns what was measured, and whether it is to be written."""
    from leg_kinematics.calibration.dialogue import Dialogue  # noqa: PLC0415
    from leg_kinematics.calibration.question import Finish  # noqa: PLC0415
    from leg_kinematics.commands.bench.calibration_session import bench_at  # noqa: PLC0415
    from leg_kinematics.commands.bench.mock_robot import TrueRobot, truth_beside  # noqa: PLC0415
    from leg_kinematics.commands.bench.mock_servos import mock_servos  # noqa: PLC0415
    from leg_kinematics.commands.bench.page_session import (  # noqa: PLC0415
        ask_on_page,
        resting_angles,
    )
    from leg_kinematics.commands.bench.question_screen import QuestionScreen  # noqa: PLC0415

    with ExitStack() as stack:
        protractor = None
        if not specs:
            truth = TrueRobot.at(truth_beside(work.maps), work.robot, work.tasks)
            servos = {task.output: truth.servos[task.joint] for task in work.tasks}
            mock = stack.enter_context(mock_servos(servos))
            specs, protractor = tuple(mock.specs), mock.angle
            console.print('On mock boards: nothing real moves.')
        bench = stack.enter_context(
            bench_at(specs, work.tasks, console, hold=hold, store_limits=store_limits)
        )
        dialogue = Dialogue(work.tasks, work.file, bench)

        def shown() -> str:
            if protractor is None or dialogue.task is None:
                return ''
            angle = protractor(dialogue.task.output)
            return f'On the mock the protractor shows {angle:.1f} deg.'

        if page is None:
            QuestionScreen(dialogue, bench, console, shown).run()
        else:
            resting = resting_angles(work.robot)

            def about() -> str:
                return '' if dialogue.task is None else dialogue.task.joint

            ask_on_page(
                page, dialogue, bench, work.robot, angles=lambda: resting, about=about, shown=shown
            )
    return dialogue.results, dialogue.finish is Finish.WRITE


def _refit(work: _Work, *, yes: bool) -> 'Mapping[str, JointResult]':
    """Make the maps again from what was read, and ask whether they shall be written."""
    from leg_kinematics.calibration.dialogue_words import result_in_words  # noqa: PLC0415
    from leg_kinematics.calibration.joint_notes import results_of  # noqa: PLC0415

    results = results_of(work.tasks, work.file)
    if results:
        lines = '\n'.join(result_in_words(each) for each in results.values())
        confirm(lines, f'Shall these be written into {work.maps}?', yes=yes)
    return results


def _report(
    work: _Work,
    results: 'Mapping[str, JointResult]',
    output: Path,
    console: Console,
    *,
    write: bool,
    as_json: bool,
) -> None:
    """Write maps and pictures, and tell."""
    from leg_kinematics.commands.bench.calibration_results import (  # noqa: PLC0415
        Written,
        draw_results,
        facts,
        write_maps,
    )

    written = write_maps(work.maps, work.robot, results, work.today) if write else Written()
    pictures = draw_results(results, output)
    if written.joints:
        beside = f'; the former file is {written.former}' if written.former else ''
        console.print(f'Written: {work.maps}{beside}', soft_wrap=True, highlight=False)
    else:
        console.print('The servo maps were not changed.')
    if write and (kept := [joint for joint in results if joint not in written.joints]):
        console.print(
            f'Not written yet, since their legs have joints without a map: {", ".join(kept)}',
            soft_wrap=True,
            highlight=False,
        )
    console.print(work.kept, soft_wrap=True, highlight=False)
    if pictures:
        console.print(f'Pictures: {", ".join(map(str, pictures))}', soft_wrap=True)
    if as_json:
        content = {
            'robot': work.robot.name,
            'readings': str(work.file.path),
            'servo_maps': str(work.maps),
            'written': list(written.joints),
            'former': None if written.former is None else str(written.former),
            'joints': facts(results),
        }
        click.echo(json.dumps(content, indent=2))


def _write_sheet(robot: Robot, file: Path) -> None:
    from leg_kinematics.calibration.sheet import write_sheet  # noqa: PLC0415

    try:
        count = write_sheet(robot, file)
    except LegKinematicsError as error:
        raise click.ClickException(str(error)) from error
    click.echo(f'{file}: {count} pages; print them at 100 %, and measure both bars.')
