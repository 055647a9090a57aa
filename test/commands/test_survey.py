# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The survey at a terminal: the screen, what is typed, the files, and how it is left."""

import json
import re
import shutil
import signal
from collections.abc import Callable
from datetime import date
from functools import partial
from math import radians
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner, Result

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.calibration.foot_readings import FootRead
from leg_kinematics.calibration.joint_readings import AngleRead
from leg_kinematics.calibration.measured import Reading
from leg_kinematics.calibration.readings_file import ReadingsFile
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.commands.bench.calibration_session import joint_tasks
from leg_kinematics.commands.bench.mock_robot import TrueRobot
from leg_kinematics.commands.main import main
from leg_kinematics.robot import load_robot

if TYPE_CHECKING:
    from test.joints_on_chip import JointsOnChip
    from test.simulated_chip import ChipProcess
    from test.terminal import Terminal, at_a_terminal
else:
    from joints_on_chip import JointsOnChip
    from terminal import Terminal, at_a_terminal

CONFIG = Path(__file__).parents[2] / 'config'
LEG = 'left_front'
TODAY = date(2026, 11, 30)

#: What the screen says of the foot.
RULER = r'the ruler shows (-?[\d.]+) (-?[\d.]+) (-?[\d.]+) mm'

#: Beyond a bound of pulses, a board rounds and a pin is measured, µs.
AT_PIN = 3.0


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    """Return copies of description and servo maps of a leg in a clamp."""
    robot = Path(shutil.copy(CONFIG / 'robots' / 'bench_leg.yaml', tmp_path / 'mine.yaml'))
    maps = Path(shutil.copy(CONFIG / 'servo_maps' / 'bench_leg.yaml', tmp_path / 'maps.yaml'))
    return robot, maps


def surveyed(*arguments: str | Path) -> Result:
    """Run the command without a terminal."""
    return CliRunner().invoke(main, ['survey', *map(str, arguments)])


def shown_as_one(terminal: Terminal) -> str:
    """Give what the screen shows, without its line ends."""
    return ' '.join(' '.join(terminal.lines).split())


def rests(terminal: Terminal, measured: int) -> bool:
    """Tell whether the leg rests after so many points."""
    now = shown_as_one(terminal)
    return f', {measured} measured' in now and 'The leg rests' in now


def measure(terminal: Terminal, points: int, ruler: Callable[[], str]) -> None:
    """Power the leg, and measure so many points."""
    terminal.read_until_shown('^The legs get pulses$', '^no leg has pulses')
    terminal.type('\r')
    for measured in range(points):
        terminal.read_until(partial(rests, terminal, measured))
        assert all(len(line) <= 90 for line in terminal.lines)
        terminal.type(f'9\x7f{ruler()}\r')
    terminal.read_until(lambda: f', {points} measured' in shown_as_one(terminal))


def finish(terminal: Terminal) -> str:
    """Call it enough, and have it written; give what was said then."""
    terminal.type('d')
    terminal.read_until_shown(f'^{LEG}: result$', 'feet land')
    terminal.type('\r')
    terminal.read_until_shown('^Summary$', 'write description and servo maps')
    terminal.type('y')
    said = ' '.join(terminal.end().split())
    assert terminal.process.returncode == 0, said
    assert terminal.settings == terminal.before
    return said


@pytest.mark.soak
def test_a_leg_on_the_mock(files: tuple[Path, Path]) -> None:
    """A newcomer tries it: the ruler is read off the screen, and copies are written.

    One point is undone and measured again. What was written comes again of the readings alone.
    """
    robot, maps = files
    before = robot.read_text(encoding='utf-8'), maps.read_text(encoding='utf-8')
    folder = maps.parent
    arguments = ['survey', str(robot), '--servo-maps', str(maps), '--output', str(folder / 'out')]
    with at_a_terminal(arguments, 90, 45) as terminal:

        def ruler() -> str:
            found = re.search(RULER, '\n'.join(terminal.lines))
            assert found
            return ' '.join(found.groups())

        measure(terminal, 2, ruler)
        terminal.type('u')
        terminal.read_until(lambda: ', 1 measured' in shown_as_one(terminal))
        terminal.type('12 40\r')
        terminal.read_until_shown('has 2 of three numbers|is on its way')
        said = finish(terminal)
    assert 'On mock boards: nothing real moves.' in terminal.said
    assert f'Written: {folder}/mine.mock.yaml and {folder}/maps.mock.yaml; the former files' in said
    assert 'no leg has pulses' in said
    assert before == (robot.read_text(encoding='utf-8'), maps.read_text(encoding='utf-8'))
    for name, text in zip(('mine', 'maps'), before, strict=True):
        assert (folder / f'{name}.mock.yaml~').read_text(encoding='utf-8') == text
    assert (folder / 'out' / f'{LEG}_coxa.png').stat().st_size > 10_000
    new = CalibratedRobot.load(folder / 'mine.mock.yaml', folder / 'maps.mock.yaml')
    check_made_again(robot, maps, new)


def check_made_again(robot: Path, maps: Path, expected: CalibratedRobot) -> None:
    """See that the same lengths, mounts and maps come of the readings alone."""
    readings = maps.parent / 'maps.mock.readings.jsonl'
    made = ('--readings', readings, '--refit', '--yes', '--json', '--output', maps.parent / 'out')
    again = surveyed(robot, '--servo-maps', maps, *made)
    assert again.exit_code == 0, again.output
    told = json.loads(again.stdout)
    assert told['written'] == [str(robot), str(maps)]
    assert told['positions'] == 1
    assert told['verdict']
    remade = CalibratedRobot.load(robot, maps)
    assert remade.robot == expected.robot
    assert remade.maps.maps == expected.maps.maps
    (leg,) = remade.robot.legs
    assert told['legs'][LEG]['femur_mm']['value'] == pytest.approx(1e3 * leg.femur.length, abs=0.01)


def test_a_leg_on_the_firmware(files: tuple[Path, Path], chip_process: 'ChipProcess') -> None:
    """On the machine code of the board, with servos behind its pins; the files named are written.

    The pulses are those at the pins: of this leg, and never beyond its servo maps. Comments of
    both files are kept.
    """
    robot, maps = files
    calibrated = CalibratedRobot.load(robot, maps)
    present = calibrated.maps.by_joint
    tasks = joint_tasks(calibrated.robot, list(present.values()))
    truth = TrueRobot.at(maps.parent / 'truth.json', calibrated.robot, tasks, present)
    joints = [task.joint for task in tasks]
    channels = {present[joint].channel: truth.servos[joint] for joint in joints}
    on_chip = JointsOnChip(chip_process, channels)
    file = ReadingsFile(maps.with_suffix('.readings.jsonl'), calibrated.robot, TODAY)
    for joint in joints:
        for pulse in (1000.0, 1250.0, 1500.0, 1750.0, 2000.0):
            angle = radians(round(truth.servos[joint].angle(pulse)))
            file.add(AngleRead(joint, Reading(pulse, angle, 'up')))
            file.add(AngleRead(joint, Reading(pulse, angle, 'down')))

    def ruler() -> str:
        angles = on_chip.angles()
        coxa, femur, tibia = (radians(angles[truth.servos[joint].joint]) for joint in joints)
        x, y, z = truth.legs[LEG].foot((coxa, femur, tibia))
        return f'{1e3 * x:.1f} {1e3 * y:.1f} {1e3 * (z + calibrated.robot.standing.height):.1f}'

    arguments = ['survey', str(robot), '--servo-maps', str(maps), '--yes']
    arguments += ['--board', f'main=framed:{chip_process.port}']
    with at_a_terminal([*arguments, '--output', str(maps.parent / 'out')], 90, 45) as terminal:
        measure(terminal, 2, ruler)
        said = finish(terminal)
    assert f'Written: {robot} and {maps}; the former files are {robot}~ and {maps}~' in said
    described = load_robot(robot)
    load_servo_maps(maps, described)
    assert maps.read_text(encoding='utf-8').count('#') >= 1
    bounds = {present[joint].channel: present[joint] for joint in joints}
    for each in chip_process.pulses():
        servo_map = bounds[each.channel]
        assert servo_map.lowest_us - AT_PIN <= each.width_us <= servo_map.highest_us + AT_PIN


@pytest.mark.soak
def test_left_in_the_middle(files: tuple[Path, Path]) -> None:
    """Ctrl-C on the way: pulses off, the terminal as it was, and what was answered is kept."""
    robot, maps = files
    arguments = ['survey', str(robot), '--servo-maps', str(maps)]
    arguments += ['--output', str(maps.parent / 'out')]
    with at_a_terminal(arguments, 90, 45) as terminal:

        def ruler() -> str:
            found = re.search(RULER, '\n'.join(terminal.lines))
            assert found
            return ', '.join(found.groups())

        measure(terminal, 1, ruler)
        terminal.process.send_signal(signal.SIGINT)
        said = ' '.join(terminal.end().split())
        assert terminal.process.returncode == 0, said
        assert terminal.settings == terminal.before
    assert 'no leg has pulses' in said
    assert 'Description and servo maps were not changed.' in said
    file = ReadingsFile(maps.parent / 'maps.mock.readings.jsonl', load_robot(robot), TODAY)
    assert [type(each) for each in file.feet] == [FootRead]


# ---- without a terminal


def test_without_a_terminal_it_says_so(files: tuple[Path, Path], tmp_path: Path) -> None:
    """Exit code 2, with what to use instead."""
    robot, maps = files
    done = surveyed(robot, '--servo-maps', maps, '--output', tmp_path / 'out')
    assert done.exit_code == 2
    assert 'the questions need a terminal' in done.stderr
    assert '--refit' in done.stderr


def test_servo_maps_are_wanted(files: tuple[Path, Path]) -> None:
    """Exit code 2."""
    done = surveyed(files[0])
    assert done.exit_code == 2
    assert 'name the servo maps by --servo-maps' in done.stderr


def test_a_leg_that_is_not_there(files: tuple[Path, Path]) -> None:
    """With the name that was meant."""
    done = surveyed(files[0], '--servo-maps', files[1], '--refit', '--leg', 'left_frnt')
    assert done.exit_code == 2
    assert f'did you mean {LEG!r}?' in done.stderr


def test_angles_that_were_not_read(files: tuple[Path, Path]) -> None:
    """Feet alone do not tell maps: it says what to do first."""
    done = surveyed(files[0], '--servo-maps', files[1], '--refit')
    assert done.exit_code == 2
    assert 'measure them first with leg-kinematics calibrate' in ' '.join(done.stderr.split())


def test_photographs_without_boards(files: tuple[Path, Path], tmp_path: Path) -> None:
    """A mock has no looks."""
    done = surveyed(
        files[0], '--servo-maps', files[1], '--by', 'photographs', '--photographs', tmp_path
    )
    assert done.exit_code == 2
    assert 'photographs show a real robot' in done.stderr


@pytest.mark.parametrize('by', ['ruler', 'photographs'])
def test_the_sheet_alone(files: tuple[Path, Path], tmp_path: Path, by: str) -> None:
    """No servo maps are needed for it."""
    done = surveyed(files[0], '--sheet', tmp_path / 'sheet.pdf', '--by', by)
    assert done.exit_code == 0, done.output
    assert 'print them at 100 %' in done.stdout
    assert (tmp_path / 'sheet.pdf').read_bytes().startswith(b'%PDF')
