# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The calibration at a terminal: the screen, the keys, the files, and how it is left."""

import json
import re
import shutil
import signal
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from math import degrees, radians
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

import pytest
import serial
from click.testing import CliRunner, Result

from leg_kinematics.board.simulated.true_servo import TrueServo
from leg_kinematics.calibration import LinearCurve, ServoMap, load_servo_maps
from leg_kinematics.calibration.joint_readings import AngleRead, EndFound, HornFitted
from leg_kinematics.calibration.measured import Reading
from leg_kinematics.calibration.readings_file import ReadingsFile
from leg_kinematics.commands.main import main
from leg_kinematics.nodes.taking_part.chain_processes import MockProcess
from leg_kinematics.robot import load_robot

if TYPE_CHECKING:
    from test.joints_on_chip import JointsOnChip
    from test.simulated_chip import ChipProcess
    from test.terminal import Terminal, at_a_terminal
else:
    from joints_on_chip import JointsOnChip
    from terminal import Terminal, at_a_terminal

CONFIG = Path(__file__).parents[2] / 'config'
ROBOT = CONFIG / 'robots' / 'bench_leg.yaml'
MAPS = CONFIG / 'servo_maps' / 'bench_leg.yaml'
COXA = 'left_front_coxa'

#: What the screen says of the angle, and of the pulse at which it is asked for.
PROTRACTOR = r'the protractor shows (-?[\d.]+) deg'
AT = r'^At ([\d.]+) us, coming'

DRAWN = TrueServo.draw(0, Random(COXA))

#: The servo of the coxa on the mock: its horn is best fitted at 0 deg, the middle of its limits.
TRUTH = replace(DRAWN, horn_offset=0.3 * DRAWN.horn_offset)


@pytest.fixture
def maps(tmp_path: Path) -> Path:
    """Return a copy of the servo maps of the leg."""
    return Path(shutil.copy(MAPS, tmp_path / 'maps.yaml'))


def refit(*arguments: str | Path) -> Result:
    """Run the command without a terminal."""
    return CliRunner().invoke(main, ['calibrate', str(ROBOT), *map(str, arguments)])


def shown(terminal: Terminal, pattern: str) -> float:
    """Give a number, once it stands on the screen."""
    terminal.read_until_shown(pattern)
    found = re.search(pattern, '\n'.join(terminal.lines), re.MULTILINE)
    assert found
    return float(found[1])


# ---- the real command


@pytest.mark.soak
def test_a_joint_on_the_mock(maps: Path) -> None:
    """A newcomer tries it: one joint, read off the screen, written, and made again from the file.

    The truth of the servo is drawn as the mock draws it; the command sees it by what a protractor
    shows, and by nothing else.
    """
    folder, before = maps.parent, maps.read_text(encoding='utf-8')
    mock_maps, readings = folder / 'maps.mock.yaml', folder / 'maps.mock.readings.jsonl'
    mock_robot = folder / 'maps.mock.robot.json'
    arguments = ['calibrate', str(ROBOT), '--servo-maps', str(maps), '--joint', COXA]
    with at_a_terminal([*arguments, '--output', str(folder / 'out')], 80, 40) as terminal:
        measure_a_joint(terminal, TRUTH, lambda: shown(terminal, PROTRACTOR), 8)
        said = ' '.join(terminal.end().split())
        assert terminal.process.returncode == 0
        assert terminal.settings == terminal.before
    assert f'Written: {mock_maps}; the former file is {mock_maps}~' in said
    assert json.loads(mock_robot.read_text(encoding='utf-8'))['servos'].keys() == {COXA}
    assert 'no servo has pulses' in said
    assert maps.read_text(encoding='utf-8') == before
    assert Path(f'{mock_maps}~').read_text(encoding='utf-8') == before
    assert (folder / 'out' / f'{COXA}.png').stat().st_size > 10_000
    robot = load_robot(ROBOT)
    written = load_servo_maps(mock_maps, robot).by_joint
    coxa = written[COXA]
    assert (coxa.lowest_us, coxa.highest_us) == (1300.0, 1550.0)
    for pulse in (1350.0, 1500.0):
        assert degrees(coxa.angle(pulse)) == pytest.approx(TRUTH.angle(pulse), abs=1.5)
    for joint in ('left_front_femur', 'left_front_tibia'):
        assert written[joint] == load_servo_maps(maps, robot).by_joint[joint]
    file = ReadingsFile(readings, robot, date(2026, 11, 30))
    assert len(file.readings(COXA)) == 8
    check_made_again(maps, readings, coxa)


def check_made_again(maps: Path, readings: Path, expected: ServoMap) -> None:
    """See that the same map comes of the readings alone."""
    made = ('--readings', readings, '--refit', '--yes', '--output', maps.parent / 'out', '--json')
    again = refit('--servo-maps', maps, *made)
    assert again.exit_code == 0, again.output
    told = json.loads(again.stdout)
    assert told['written'] == [COXA]
    assert told['joints'][COXA]['readings'] == 8
    remade = load_servo_maps(maps, load_robot(ROBOT)).by_joint[COXA]
    assert remade == expected
    assert isinstance(remade.curve, LinearCurve)
    assert told['joints'][COXA]['gain_us_per_rad'] == pytest.approx(
        remade.curve.gain_us_per_rad, abs=0.01
    )


def measure_a_joint(
    terminal: Terminal, truth: TrueServo, angle: Callable[[], float], readings: int
) -> None:
    """Go the whole way of a joint, with so many readings, and have it written."""
    terminal.read_until_shown(f'^{COXA}$', '^no servo has pulses')
    terminal.type('\r')
    terminal.read_until_shown(f'^{COXA}: horn$', '^at rest: .* at 1500 us')
    assert all(len(line) <= 80 for line in terminal.lines)
    terminal.type('\r')
    terminal.read_until_shown(f'^{COXA}: which way', '^moving: .* at 1550 us')
    terminal.type('n' if truth.gain < 0.0 else 'p')
    terminal.read_until_shown(f'^{COXA}: free to longer', 'is free from 1500 to 1550 us')
    terminal.type('e')
    terminal.read_until_shown(f'^{COXA}: free to shorter')
    for end in (1450, 1400, 1350, 1300):
        terminal.type('\r')
        terminal.read_until_shown(f'^moving: .* at {end} us')
    terminal.type('e')
    for left in range(14, 13 - readings, -1):
        terminal.read_until_shown(f'^{COXA}: angle', f'{left} to go')
        at = rf'^at rest: .* at {shown(terminal, AT):.0f} us'
        terminal.read_until_shown(at)
        terminal.type(f'8\x7f{angle():.1f}\r')
    terminal.read_until_shown('^taken: ')
    terminal.type('u')
    terminal.read_until_shown(f'{14 - readings} to go')
    terminal.type('d')
    terminal.read_until_shown(f'^{COXA}: result', 'us: -?[0-9.]+ deg to')
    terminal.type('\r')
    terminal.read_until_shown('^Summary$')
    terminal.type('y')


def test_a_joint_on_the_firmware(maps: Path, chip_process: 'ChipProcess') -> None:
    """On the machine code of the board, written into the file that was named.

    The pulses are those at the pin: of one servo, between the ends that were looked for.
    """
    truth = TrueServo(0, gain=10.0, horn_offset=5.0, slack=0.5)
    joints = JointsOnChip(chip_process, {0: truth})
    arguments = ['calibrate', str(ROBOT), '--servo-maps', str(maps), '--joint', COXA, '--yes']
    arguments += ['--board', f'main=framed:{chip_process.port}']
    with at_a_terminal([*arguments, '--output', str(maps.parent / 'out')], 80, 40) as terminal:
        measure_a_joint(terminal, truth, lambda: joints.angles()[0], 4)
        said = ' '.join(terminal.end().split())
        assert terminal.process.returncode == 0
    assert f'Written: {maps}; the former file is {maps}~' in said
    coxa = load_servo_maps(maps, load_robot(ROBOT)).by_joint[COXA]
    assert (coxa.lowest_us, coxa.highest_us) == (1300.0, 1550.0)
    for pulse in (1350.0, 1400.0):
        assert degrees(coxa.angle(pulse)) == pytest.approx(truth.angle(pulse), abs=1.5)
    pulses = chip_process.pulses()
    assert {pulse.channel for pulse in pulses} == {0}
    widths = [pulse.width_us for pulse in pulses]
    assert widths[0] == pytest.approx(1500.0, abs=2.0)
    assert min(widths) == pytest.approx(1300.0, abs=3.0)
    assert max(widths) == pytest.approx(1550.0, abs=3.0)


def test_left_in_the_middle(maps: Path) -> None:
    """Ctrl-C: the pulses are off, the terminal is as it was, and what was answered is kept."""
    arguments = ['calibrate', str(ROBOT), '--servo-maps', str(maps), '--board', 'mock']
    with at_a_terminal([*arguments, '--output', str(maps.parent / 'out')], 60, 40) as terminal:
        terminal.read_until_shown(f'^{COXA}$')
        terminal.type('\r')
        terminal.read_until_shown(f'^{COXA}: horn$', '^at rest: .* at 1500 us')
        terminal.type('\r')
        terminal.read_until_shown(f'^{COXA}: which way')
        assert all(len(line) <= 60 for line in terminal.lines)
        terminal.process.send_signal(signal.SIGINT)
        said = ' '.join(terminal.end().split())
        assert terminal.process.returncode == 0
        assert terminal.settings == terminal.before
    assert 'no servo has pulses' in said
    assert 'The servo maps were not changed.' in said
    file = ReadingsFile(
        maps.parent / 'maps.mock.readings.jsonl', load_robot(ROBOT), date(2026, 11, 30)
    )
    assert [type(entry) for entry in file.entries] == [HornFitted]


def test_a_port_that_somebody_has(maps: Path, tmp_path: Path) -> None:
    """It says what to do, and ends with 1; nothing was written."""
    mock = MockProcess(tmp_path / 'board', tmp_path / 'log')
    arguments = ['calibrate', str(ROBOT), '--servo-maps', str(maps), '--yes']
    arguments += ['--board', f'main=framed:{tmp_path / "board"}', '--output', str(tmp_path / 'out')]
    with (
        serial.Serial(str(tmp_path / 'board'), exclusive=True),
        at_a_terminal(arguments, 80, 40) as terminal,
    ):
        said = ' '.join(terminal.end().split())
        assert terminal.process.returncode == 1
    mock.end()
    assert 'CAUTION' in said
    assert 'A port has one user: end a bridge or another program' in said
    assert 'Nothing was measured' in said
    assert maps.read_text(encoding='utf-8') == MAPS.read_text(encoding='utf-8')


# ---- without a terminal


def test_without_a_terminal_it_says_so(maps: Path, tmp_path: Path) -> None:
    """Exit code 2, with what to use instead."""
    done = refit('--servo-maps', maps, '--output', tmp_path / 'out')
    assert done.exit_code == 2
    assert 'the questions need a terminal' in done.stderr
    assert '--refit' in done.stderr


def test_the_file_of_maps_is_wanted() -> None:
    """Exit code 2."""
    done = refit()
    assert done.exit_code == 2
    assert 'name the file that the maps are written to by --servo-maps' in done.stderr


def test_a_joint_that_is_not_there(maps: Path) -> None:
    """With the name that was meant."""
    done = refit('--servo-maps', maps, '--refit', '--joint', 'left_front_cox', '--yes')
    assert done.exit_code == 2
    assert f'did you mean {COXA!r}?' in done.stderr


def test_the_sheet_alone(tmp_path: Path) -> None:
    """No servo maps are needed for it."""
    done = refit('--sheet', tmp_path / 'sheet.pdf')
    assert done.exit_code == 0
    assert '3 pages; print them at 100 %' in done.stdout
    assert (tmp_path / 'sheet.pdf').read_bytes().startswith(b'%PDF')
    done = refit('--sheet', tmp_path / 'none' / 'sheet.pdf')
    assert done.exit_code == 1
    assert 'cannot be written' in done.stderr


def test_the_first_maps_of_a_robot(tmp_path: Path) -> None:
    """A new file gets the maps once a leg is whole; until then it is told what is missing.

    The servos are straight, 10 us a degree, by hand: 572.96 us/rad. The channels are the numbers of
    the joints.
    """
    maps, robot = tmp_path / 'maps.yaml', load_robot(ROBOT)
    file = ReadingsFile(tmp_path / 'maps.readings.jsonl', robot, date(2026, 11, 30))
    arguments = ('--servo-maps', maps, '--refit', '--yes', '--output', tmp_path / 'out')
    for joint, middle in zip(robot.joints, (0.0, 17.5, -77.5), strict=True):
        file.add(EndFound(joint, 'lowest', 800.0))
        file.add(EndFound(joint, 'highest', 2200.0))
        for pulse in (900.0, 1500.0, 2100.0):
            angle = radians(middle + (pulse - 1500.0) / 10.0)
            file.add(AngleRead(joint, Reading(pulse, angle, 'up')))
        done = refit(*arguments)
        assert done.exit_code == 0, done.output
        if joint != robot.joints[-1]:
            assert f'have joints without a map: {", ".join(robot.joints[:1])}' in done.stdout
            assert not maps.exists()
        else:
            assert f'Written: {maps}' in done.stdout
    for channel, each in enumerate(load_servo_maps(maps, robot).maps):
        assert (each.board, each.channel) == ('main', channel)
        assert isinstance(each.curve, LinearCurve)
        assert each.curve.gain_us_per_rad == pytest.approx(572.96, abs=0.01)


def test_nothing_to_make_again(maps: Path, tmp_path: Path) -> None:
    """A file of readings that is not there gives no maps, and changes none."""
    done = refit('--servo-maps', maps, '--refit', '--yes', '--output', tmp_path / 'out')
    assert done.exit_code == 0
    assert 'The servo maps were not changed.' in done.stdout
    assert maps.read_text(encoding='utf-8') == MAPS.read_text(encoding='utf-8')
