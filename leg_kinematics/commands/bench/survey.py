# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics survey`: lengths, mounts and maps measured, by where the feet are."""

import json
import shutil
from collections.abc import Callable, Mapping, Sequence
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
from leg_kinematics.robot import Robot, did_you_mean, load_robot, parse_quantity

if TYPE_CHECKING:
    from leg_kinematics.calibration.readings_file import ReadingsFile
    from leg_kinematics.chain.calibrated_robot import CalibratedRobot
    from leg_kinematics.commands.bench.mock_feet import MockFeet
    from leg_kinematics.identification.arrival import Arrival
    from leg_kinematics.identification.survey import Survey
    from leg_kinematics.identification.working_out import Knowledge, Markers

CAUTION = f"""\
CAUTION: legs move without warning and pinch, batteries burn, robots fall.
- Put the robot on a block on which its body cannot move, with all feet free of the ground.
{FUSED}
- Each leg runs into its resting posture at full speed when it gets its pulses, and every answer may
  move a leg: keep hands, hair and eyes away until it rests.
- A leg goes where the present maps have it, which may be wrong: press x or the space bar, or switch
  off, when it touches something.
{OPENED}"""


@click.command(
    epilog='Examples: leg-kinematics survey mine.yaml --sheet grid.pdf;  '
    'leg-kinematics survey mine.yaml --servo-maps mine-maps.yaml --board main=framed:/dev/ttyUSB0'
)
@click.argument('robot', type=InputFile())
@click.option(
    '--servo-maps',
    type=InputFile(),
    help='Servo maps, from leg-kinematics calibrate. Better ones take their place in the end.',
)
@bench_boards_option
@click.option(
    '--leg',
    'legs',
    multiple=True,
    help='Measure this leg only; may be given several times. Others get no pulses: fold them '
    'away. Default: all that are wired.',
)
@click.option(
    '--by',
    type=click.Choice(['ruler', 'ground', 'photographs']),
    default='ruler',
    show_default=True,
    help='How feet are measured: by ruler on a printed grid, by touching flat ground, or by '
    'photographs of printed markers.',
)
@click.option(
    '--photographs',
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help='Folder into which photographs come.',
)
@click.option(
    '--height',
    help='Of base_link above the ground while the robot is on its block, such as 95mm, within 20 '
    'mm. Default: that of the standing posture.',
)
@click.option(
    '--sheet',
    type=click.Path(dir_okay=False, path_type=Path),
    help='Only write what is to be printed, a PDF: the grid, or by photographs the markers.',
)
@click.option(
    '--lines',
    'line_of',
    help='Draw a straight line on paper with the foot of this leg, and see what is beside it.',
)
@click.option(
    '--readings',
    type=click.Path(dir_okay=False, path_type=Path),
    help='File with the angles that were read, to which every answer is written at once, and from '
    'which the work is gone on with. Default: beside the servo maps.',
)
@click.option(
    '--refit', is_flag=True, help='Move nothing: work it out again from the file of readings.'
)
@store_limits_option
@asked_on_page
@click.option(
    '--output',
    type=click.Path(file_okay=False, writable=True, path_type=Path),
    default=Path('survey-output'),
    show_default=True,
    help='Folder for the pictures.',
)
@yes_option
@click.option('--json', 'as_json', is_flag=True, help='Print the result for a script to read.')
def survey(
    *,
    robot: Path,
    servo_maps: Path | None,
    boards: tuple[str, ...],
    legs: tuple[str, ...],
    by: str,
    photographs: Path | None,
    height: str | None,
    sheet: Path | None,
    line_of: str | None,
    readings: Path | None,
    refit: bool,
    store_limits: bool,
    page: PageOptions | None,
    output: Path,
    yes: bool,
    as_json: bool,
) -> None:
    """Find lengths, mounts and better maps by where the feet are.

    ROBOT is its description. The servo maps and the angles behind them come from leg-kinematics
    calibrate. The robot stands on a block above the printed grid that --sheet writes. One leg
    after another goes to points that tell the most; you type x, y and z of its foot in
    millimetres. From that come lengths and mounts of the legs, and better maps, each with how far
    it can be trusted; mistyped numbers are found. One key undoes a step, another leaves; what was
    answered is kept, and the next call goes on there. Nothing is written to description and servo
    maps before you say so, and the former files stay beside. This talks to the boards itself: no
    bridge may be running, and ROS 2 is not needed. On the mock the screen shows what a ruler
    would, and other files than yours are written.

    With --page the questions are asked on a page in a browser, beside a drawing of the robot;
    Ctrl-C here leaves as well.

    Exit code 0 when files were written, or when you left; 1 for trouble with boards or files; 2
    for a wrong command line or file.
    """
    described = loaded(lambda: load_robot(robot))
    if sheet is not None:
        _write_sheet(described, sheet, by)
        return
    if servo_maps is None:
        raise click.UsageError(
            'name the servo maps by --servo-maps; leg-kinematics calibrate makes them'
        )
    if page is not None and line_of is not None:
        raise click.UsageError('a line is drawn from the terminal: leave --page or --lines out')
    specs = () if boards == ('mock',) else boards
    on_mock = not (specs or refit)
    if by == 'photographs' and (photographs is None or on_mock):
        raise click.UsageError(
            'photographs show a real robot: name its boards by --board, and by --photographs the '
            'folder into which they come'
        )
    console = Console(stderr=as_json)
    work = _work(
        robot,
        servo_maps,
        readings=readings,
        legs=legs if line_of is None else (line_of,),
        height=height,
        by=by,
        photographs=photographs,
        on_mock=on_mock,
    )
    make_output_folder(output)
    try:
        if line_of is not None:
            see_that_somebody_is_there(console)
            specs = _specs(specs, work, yes=yes)
            _draw_line(
                work, line_of, specs, output, console, store_limits=store_limits, as_json=as_json
            )
            return
        if refit:
            write = _refit(work, yes=yes)
        else:
            if page is None:
                see_that_somebody_is_there(console)
            specs = _specs(specs, work, yes=yes)
            write = _measure(work, specs, console, page, store_limits=store_limits)
        _report(work, output, console, write=write, as_json=as_json)
    except LegKinematicsError as error:
        raise click.ClickException(f'{error}\n{work.kept}') from error


@dataclass(frozen=True)
class _Work:
    """What there is to do.

    Attributes
    ----------
    robot
        The description, with all its legs.
    calibrated
        With its present maps; the legs that are wired.
    legs
        That are measured.
    photographs
        The folder of photographs.
    file
        Of readings.
    knowledge
        From which all is worked out.
    today
        The date.

    """

    robot: Robot
    calibrated: 'CalibratedRobot'
    legs: tuple[str, ...]
    photographs: Path | None
    file: 'ReadingsFile'
    knowledge: 'Knowledge'
    today: date

    @property
    def maps(self) -> Path:
        """The file of the servo maps."""
        return self.calibrated.maps.document.file

    @property
    def kept(self) -> str:
        """Say where the answers are."""
        if not self.file.feet:
            return 'No foot was measured.'
        return f'What was measured is in {self.file.path}: the same command goes on with it.'


def _work(
    robot: Path,
    maps: Path,
    *,
    readings: Path | None,
    legs: Sequence[str],
    height: str | None,
    by: str,
    photographs: Path | None,
    on_mock: bool,
) -> _Work:
    """Read all files; on the mock copies take what is measured."""
    # Imported here: --help shall not wait for scipy.
    from leg_kinematics.calibration.readings_file import ReadingsFile  # noqa: PLC0415
    from leg_kinematics.chain.calibrated_robot import CalibratedRobot  # noqa: PLC0415
    from leg_kinematics.commands.bench.mock_robot import mock_copy  # noqa: PLC0415
    from leg_kinematics.identification.room import Room  # noqa: PLC0415
    from leg_kinematics.identification.stations import By  # noqa: PLC0415
    from leg_kinematics.identification.working_out import (  # noqa: PLC0415
        Knowledge,
        readings_of,
    )

    today = datetime.now().astimezone().date()
    if on_mock:
        loaded(lambda: CalibratedRobot.load(robot, maps))
        robot, maps = (_copied(each, mock_copy(each)) for each in (robot, maps))
    calibrated = loaded(lambda: CalibratedRobot.load(robot, maps))
    described = loaded(lambda: load_robot(robot))
    for leg in legs:
        if leg not in calibrated.robot.leg_names:
            raise click.BadParameter(
                f'{described.name} has no wired leg {leg!r}; these are: '
                f'{", ".join(calibrated.robot.leg_names)}'
                f'{did_you_mean(leg, calibrated.robot.leg_names)}',
                param_hint='--leg',
            )
    chosen = tuple(each for each in calibrated.robot.leg_names if each in legs or not legs)
    above = _height(height, described)
    path = readings or maps.with_suffix('.readings.jsonl')
    file = loaded(lambda: ReadingsFile(path, described, today))
    if on_mock:
        _read_angles(calibrated, chosen, maps, file)
    joints = calibrated.robot.part(chosen).joints
    knowledge = loaded(
        lambda: Knowledge(
            Room(calibrated.robot, calibrated.legs, above),
            calibrated.maps,
            readings_of(file, joints),
            _markers(photographs, described),
            By[by.upper()],
        )
    )
    return _Work(
        robot=described,
        calibrated=calibrated,
        legs=chosen,
        photographs=photographs,
        file=file,
        knowledge=knowledge,
        today=today,
    )


def _copied(file: Path, copy: Path) -> Path:
    if not copy.exists():
        shutil.copyfile(file, copy)
    return copy


def _height(height: str | None, robot: Robot) -> float:
    if height is None:
        return robot.standing.height
    try:
        return parse_quantity(height, 'length')
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint='--height') from error


def _read_angles(
    calibrated: 'CalibratedRobot', legs: Sequence[str], maps: Path, file: 'ReadingsFile'
) -> None:
    """Read off the robot on the mock those angles that nobody has read yet."""
    from leg_kinematics.commands.bench.mock_angles import read_angles  # noqa: PLC0415

    count = read_angles(calibrated, legs, maps, file)
    if count:
        click.echo(
            f'On the mock: {count} angles were read off for you, as leg-kinematics calibrate '
            'would have asked for them.',
            err=True,
        )


def _specs(specs: tuple[str, ...], work: _Work, *, yes: bool) -> tuple[str, ...]:
    """Return the boards that are needed; of real ones, after a word that they may be opened."""
    from leg_kinematics.commands.bench.survey_session import boards_of  # noqa: PLC0415

    if not specs:
        return ()
    needed = boards_of(work.calibrated, work.legs)
    check_boards(specs, needed)
    confirm(CAUTION, 'Shall the boards be opened?', yes=yes)
    return tuple(each for each in specs if each.partition('=')[0] in needed)


def _measure(
    work: _Work,
    specs: tuple[str, ...],
    console: Console,
    page: PageOptions | None,
    *,
    store_limits: bool,
) -> bool:
    """Lead through the survey; tell whether what was found is to be written."""
    from leg_kinematics.calibration.question import Finish  # noqa: PLC0415
    from leg_kinematics.commands.bench.beside import Beside  # noqa: PLC0415
    from leg_kinematics.commands.bench.mock_feet import mock_feet  # noqa: PLC0415
    from leg_kinematics.commands.bench.mock_robot import truth_beside  # noqa: PLC0415
    from leg_kinematics.commands.bench.page_session import (  # noqa: PLC0415
        ask_on_page,
        resting_angles,
    )
    from leg_kinematics.commands.bench.question_screen import QuestionScreen  # noqa: PLC0415
    from leg_kinematics.commands.bench.survey_session import legs_at  # noqa: PLC0415
    from leg_kinematics.identification.survey import Survey, SurveyPlan  # noqa: PLC0415

    console.print('Choosing the points that tell the most ...')
    knowledge = work.knowledge
    plan = SurveyPlan(knowledge.rounds(work.legs), knowledge)
    with ExitStack() as stack:
        mock = None
        if not specs:
            truth = truth_beside(work.maps)
            mock = stack.enter_context(mock_feet(work.calibrated, work.legs, truth))
            specs = tuple(mock.servos.specs)
            console.print('On mock boards: nothing real moves.')
        bench = stack.enter_context(
            legs_at(
                specs, work.calibrated, work.legs, console, hold=False, store_limits=store_limits
            )
        )
        judge = stack.enter_context(Beside(knowledge.surveyed))
        asking = Survey(plan, work.file, bench, judge, _folder(work.photographs))

        def shown() -> str:
            return _shown(mock, asking)

        if page is None:
            QuestionScreen(asking, bench, console, shown).run()
        else:
            robot = work.robot
            resting = dict(zip(robot.joints, resting_angles(robot), strict=True))

            def angles() -> Sequence[float]:
                known = bench.angles or {}
                return [known.get(joint, resting[joint]) for joint in robot.joints]

            def about() -> str:
                legs = () if asking.round is None else asking.round.legs
                return legs[0] if len(legs) == 1 else ''

            ask_on_page(page, asking, bench, robot, angles=angles, about=about, shown=shown)
    return asking.finish is Finish.WRITE


def _draw_line(
    work: _Work,
    leg: str,
    specs: tuple[str, ...],
    output: Path,
    console: Console,
    *,
    store_limits: bool,
    as_json: bool,
) -> None:
    """Lead through a line on paper, and tell what is beside it."""
    from leg_kinematics.commands.bench.line_on_paper import (  # noqa: PLC0415
        LineAtBench,
        draw_line,
        line_facts,
        tell_line,
    )

    line = LineAtBench(work.knowledge.room, work.calibrated, leg, _lags(work))
    marked = draw_line(line, work.calibrated, leg, specs, console, store_limits=store_limits)
    if marked is None:
        console.print('The line was not finished.')
        return
    picture = tell_line(marked, output, console)
    if as_json:
        click.echo(json.dumps({**line_facts(marked), 'picture': str(picture)}, indent=2))


def _lags(work: _Work) -> Mapping[str, float]:
    """How far joints were measured to stay behind their pulses, rad; what was, by name."""
    found = work.knowledge.surveyed(_measured(work), work.file.feet)
    if isinstance(found, str):
        click.echo(f'No slack is known of {", ".join(work.legs)}: {found}.', err=True)
        return {}
    return {name: joint.lag.value for name, joint in found.identified.joints.items()}


def _shown(mock: 'MockFeet | None', asking: 'Survey') -> str:
    """Say what a ruler shows on the mock."""
    if mock is None or asking.round is None or not asking.placement:
        return ''
    position = mock.foot(asking.round.legs[0], asking.placement)
    x, y, z = (round(1e3 * each, 1) + 0.0 for each in position)
    return f'On the mock the ruler shows {x:.1f} {y:.1f} {z:.1f} mm.'


def _folder(photographs: Path | None) -> Callable[[], 'Mapping[str, Arrival]']:
    """Return what names the photographs by now."""
    if photographs is None:
        return dict
    from leg_kinematics.commands.bench.photographed import PhotographFolder  # noqa: PLC0415

    return PhotographFolder(photographs).look


def _refit(work: _Work, *, yes: bool) -> bool:
    """Work it out again, and ask whether it shall be written; tell whether there is something."""
    found = work.knowledge.surveyed(_measured(work), work.file.feet)
    if isinstance(found, str):
        return False
    confirm('\n'.join(found.verdict), 'Shall description and servo maps be written?', yes=yes)
    return True


def _measured(work: _Work) -> tuple[str, ...]:
    from leg_kinematics.identification.stations import legs_noted  # noqa: PLC0415

    return tuple(leg for leg in work.legs if leg in legs_noted(work.file.feet))


def _report(work: _Work, output: Path, console: Console, *, write: bool, as_json: bool) -> None:
    """Write files and pictures, and tell."""
    from leg_kinematics.commands.bench.survey_results import (  # noqa: PLC0415
        adoption_of,
        draw_results,
        facts,
    )

    found = work.knowledge.surveyed(_measured(work), work.file.feet)
    written, former = [], []
    if isinstance(found, str):
        console.print(f'Nothing was found out: {found}.', soft_wrap=True, highlight=False)
    else:
        if write:
            adoption = adoption_of(found, work.robot, work.calibrated.maps, work.today)
            former = [str(each) for each in adoption.save() if each is not None]
            written = [str(adoption.description.file), str(adoption.servo_maps.file)]
        for sentence in found.verdict:
            console.print(sentence, soft_wrap=True, highlight=False)
        pictures = draw_results(found, work.knowledge, output)
        console.print(f'Pictures: {", ".join(map(str, pictures))}', soft_wrap=True)
    if written:
        beside = f'; the former files are {" and ".join(former)}' if former else ''
        console.print(f'Written: {" and ".join(written)}{beside}', soft_wrap=True, highlight=False)
    else:
        console.print('Description and servo maps were not changed.')
    console.print(work.kept, soft_wrap=True, highlight=False)
    if as_json:
        content = {
            'robot': work.robot.name,
            'readings': str(work.file.path),
            'written': written,
            'former': former,
            **({'why_nothing': found} if isinstance(found, str) else facts(found)),
        }
        click.echo(json.dumps(content, indent=2))


def _markers(photographs: Path | None, robot: Robot) -> 'Markers':
    """Return what finds markers in the photographs that were noted."""
    from leg_kinematics.commands.bench.photographed import markers_in, no_markers  # noqa: PLC0415

    if photographs is None:
        return no_markers
    return markers_in(photographs, robot)


def _write_sheet(robot: Robot, file: Path, by: str) -> None:
    try:
        if by == 'photographs':
            from leg_kinematics.photogrammetry.sheets import write_sheets  # noqa: PLC0415

            count = write_sheets(robot, file)
        else:
            from leg_kinematics.identification.grid_sheet import write_grid  # noqa: PLC0415

            count = write_grid(robot, file)
    except LegKinematicsError as error:
        raise click.ClickException(str(error)) from error
    click.echo(f'{file}: {count} pages; print them at 100 %, and measure the bars.')
