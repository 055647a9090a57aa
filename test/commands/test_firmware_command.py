# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The command that leads to the firmware, flashes it and tells the wiring."""

import json
import re
from importlib.resources import files
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from leg_kinematics.board.framed.pins import PINS
from leg_kinematics.commands.main import main
from leg_kinematics.design.supply import VOLTS, estimated_stall_current
from leg_kinematics.robot import ServoModel

CONFIG = Path(__file__).parents[2] / 'config'
ROBOT = CONFIG / 'robots' / 'bracken.yaml'
MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'
PULSES = files('leg_kinematics.board.framed.firmware') / 'pulses.c'


def firmware(*options: str | Path) -> Result:
    """Run the command."""
    return CliRunner().invoke(main, ['firmware', *map(str, options)])


def test_firmware_names_a_file_that_can_be_flashed() -> None:
    """The printed path is a complete Intel HEX file, in the avrdude command as well."""
    result = firmware()
    assert result.exit_code == 0
    (path,) = re.findall(r'^  (/.*\.hex)$', result.output, re.MULTILINE)
    assert f'-U flash:w:{path}:i' in result.output
    assert json.loads(firmware('--json').output)['path'] == path
    records = Path(path).read_text(encoding='ascii').split()
    assert records[-1] == ':00000001FF'  # end of file (Intel, Hexadecimal Object File Format, 1988)
    assert all(sum(bytes.fromhex(record[1:])) % 256 == 0 for record in records)


def test_firmware_warns_of_servo_power() -> None:
    """The caution comes before the first command."""
    output = firmware().output
    assert 0 < output.index('Switch the servo supply off') < output.index('avrdude -p')


# ---- wiring


def test_the_pins_are_those_of_the_program() -> None:
    """Port by port and bit by bit, as its source sets them."""
    source = PULSES.read_text(encoding='utf-8')
    ports = re.findall(r'\{&PORT([A-D]), _BV\(P[A-D](\d)\)', source)
    assert len(ports) == 3
    assert '#define PER_SLOT (CHANNELS / SLOTS)' in source
    pins = [f'P{port}{int(first) + place}' for port, first in ports for place in range(6)]
    assert [pin.chip for pin in PINS] == pins


def test_the_labels_are_those_that_boards_print() -> None:
    """At the ends of each port (common practice, no source)."""
    labels = {pin.chip: pin.label for pin in PINS}
    ends = {'PD2': 'D2', 'PD7': 'D7', 'PB0': 'D8', 'PB5': 'D13', 'PC0': 'A0', 'PC5': 'A5'}
    assert ends.items() <= labels.items()
    assert len(set(labels.values())) == 18


def test_the_wiring_is_that_of_the_maps(tmp_path: Path) -> None:
    """Every joint with board, channel and pin, and a channel that the board lacks is told."""
    text = MAPS.read_text(encoding='utf-8')
    text = text.replace('channel: 17\n', 'channel: 20\n').replace(
        'board: main\n', 'board: rear\n', 1
    )
    maps = tmp_path / 'maps.yaml'
    maps.write_text(text, encoding='utf-8')
    done = firmware('--robot', ROBOT, '--servo-maps', maps)
    assert done.exit_code == 0, done.output
    rows = [line.split() for line in done.output.splitlines()]
    assert ['left_front_coxa', 'rear', '0', 'PD2', 'D2'] in rows
    assert ['left_rear_coxa', 'main', '6', 'PB0', 'D8'] in rows
    assert ['right_rear_femur', 'main', '16', 'PC4', 'A4'] in rows
    assert ['right_rear_tibia', 'main', '20', 'none,', 'the', 'last', 'is', '17'] in rows
    for words in ('ground    black or brown', 'common ground', '18 servos', 'A each'):
        assert words in done.output
    assert all(len(line) <= 100 for line in done.output.splitlines() if '.hex' not in line)

    known = json.loads(firmware('--robot', ROBOT, '--servo-maps', maps, '--json').output)
    assert len(known['joints']) == 18
    assert known['joints'][0] == {
        'joint': 'left_front_coxa', 'board': 'rear', 'channel': 0, 'pin': 'PD2', 'label': 'D2'
    }  # fmt: skip
    assert known['joints'][-1]['pin'] is None
    (demand,) = known['supply']['servos']
    # As the example robot is described.
    assert demand == {'servo': 'standard', 'count': 18, 'stall_amperes': 2.5, 'estimated': False}
    assert (known['supply']['volts'], known['supply']['volts_assumed']) == (7.4, False)


def test_legs_that_are_not_wired_are_told(tmp_path: Path) -> None:
    """They have no rows, the supply is still that of the whole robot, and both are said."""
    text = MAPS.read_text(encoding='utf-8')
    text = text[: text.index('  right_rear_coxa:')]
    maps = tmp_path / 'maps.yaml'
    maps.write_text(text.replace('joints:\n', 'not_wired: [right_rear]\n\njoints:\n'))
    told = firmware('--robot', ROBOT, '--servo-maps', maps).output
    assert 'right_rear is not wired: channels as soon as the servo maps have them.' in told
    assert 'right_rear_coxa' not in told
    assert 'THE SERVO SUPPLY OF bracken, with all its legs' in told
    known = json.loads(firmware('--robot', ROBOT, '--servo-maps', maps, '--json').output)
    assert known['not_wired'] == ['right_rear']
    assert len(known['joints']) == 15
    assert known['supply']['servos'][0]['count'] == 18


def test_what_the_description_does_not_tell_of_the_supply_is_estimated(tmp_path: Path) -> None:
    """Without battery and stall current both are assumed, and it says so and what to write."""
    text = ROBOT.read_text(encoding='utf-8')
    text = re.sub(r'battery:\n(  .*\n)+', '', text)
    bare = tmp_path / 'bare.yaml'
    bare.write_text(re.sub(r'    stall_current: .*\n', '', text), encoding='utf-8')
    told = firmware('--robot', bare, '--servo-maps', MAPS).output
    for words in ('at 6 V, assumed', 'estimated from stall torque', 'as stall_current'):
        assert words in told
    supply = json.loads(firmware('--robot', bare, '--servo-maps', MAPS, '--json').output)['supply']
    (demand,) = supply['servos']
    assert (supply['volts_assumed'], demand['estimated']) == (True, True)


def test_files_that_are_wrong_or_alone_are_refused(tmp_path: Path) -> None:
    """Exit code 2, with the file or the option that is missing."""
    alone = firmware('--robot', ROBOT)
    assert alone.exit_code == 2
    assert '--servo-maps' in alone.stderr
    wrong = firmware('--robot', ROBOT, '--servo-maps', tmp_path / 'nowhere.yaml')
    assert wrong.exit_code == 2
    assert 'nowhere.yaml' in wrong.stderr
    both = firmware('--flash', '/dev/ttyUSB0', '--json')
    assert both.exit_code == 2
    assert '--json' in both.stderr


def test_the_stall_current_is_between_theory_and_what_sheets_print() -> None:
    """A servo of 15 kgf.cm and 0.16 s/60deg cannot take less than its mechanical constants say.

    By hand: 1.4710 N·m times 6.545 rad/s are 9.628 W, an ideal motor's 1.605 A at 6 V. Sellers
    print 2 to 3 A for such servos (from memory; such sheets have no number).
    """
    servo = ServoModel('standard', 1.4710, 6.545, 4.0, (500.0, 2500.0))
    current = estimated_stall_current(servo, VOLTS)
    assert VOLTS == 6.0
    assert 2.0 < current < 3.0


# ---- flashing


@pytest.fixture
def tools(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the only folder in which programs are looked for; there is none."""
    folder = tmp_path / 'bin'
    folder.mkdir()
    monkeypatch.setenv('PATH', str(folder))
    return folder


def give_avrdude(tools: Path, code: int) -> Path:
    """Put an avrdude there that writes down what it is told; returns where."""
    told = tools / 'told'
    program = tools / 'avrdude'
    program.write_text(f'#!/bin/sh\nprintf "%s\\n" "$@" > {told}\nexit {code}\n', encoding='utf-8')
    program.chmod(0o755)
    return told


def test_without_avrdude_nothing_is_flashed(tools: Path) -> None:
    """It says so, how to install it, and with which command another computer does it."""
    done = firmware('--flash', '/dev/ttyUSB7', '--yes')
    assert done.exit_code == 1
    assert list(tools.iterdir()) == []
    for words in ('nothing was flashed', 'apt install avrdude', 'avrdude -p atmega328p'):
        assert words in done.stderr
    assert '-P /dev/ttyUSB7' in done.stderr


def test_it_flashes_what_it_names(tools: Path) -> None:
    """After the cautions; the options are those of avrdude's manual (from memory)."""
    told = give_avrdude(tools, 0)
    done = firmware('--flash', '/dev/ttyUSB7', '--yes')
    assert done.exit_code == 0, done.output
    assert 'Switch the servo supply off' in done.stderr
    path = json.loads(firmware('--json').output)['path']
    assert told.read_text(encoding='utf-8').splitlines() == [
        '-p', 'atmega328p', '-c', 'arduino', '-P', '/dev/ttyUSB7', '-b', '115200', '-D',
        '-U', f'flash:w:{path}:i',
    ]  # fmt: skip


def test_a_failure_is_told(tools: Path) -> None:
    """With the exit code and what to do, and nothing claims that it was flashed."""
    give_avrdude(tools, 1)
    done = firmware('--flash', '/dev/ttyUSB7', '--yes')
    assert done.exit_code == 1
    assert 'avrdude ended with exit code 1' in done.stderr
    assert 'leave the servo supply off' in done.stderr
    assert 'Flashed' not in done.output


def test_it_does_not_flash_unasked(tools: Path) -> None:
    """Where nobody can be asked and nobody gave the flag."""
    told = give_avrdude(tools, 0)
    done = firmware('--flash', '/dev/ttyUSB7')
    assert done.exit_code == 2
    assert '--yes' in done.stderr
    assert not told.exists()
