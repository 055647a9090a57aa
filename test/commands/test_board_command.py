# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The command that shows and sets what belongs to the board itself."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from leg_kinematics.board.driver import Reaction
from leg_kinematics.board.framed.frames import Period, Silence, Supply
from leg_kinematics.board.framed.settings import Settings
from leg_kinematics.board.simulated.memory import Memory
from leg_kinematics.board.simulated.pulse_log import read_log
from leg_kinematics.commands.main import main
from leg_kinematics.nodes.taking_part.chain_processes import MockProcess

LIMITS = {0: (600.0, 2400.0), 17: (700.5, 2300.0)}


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """Start a mock board that stores two channels' limits; its port is ``board`` in there."""
    memory = tmp_path / 'memory.json'
    Memory(4, Settings(LIMITS, Silence(Reaction.HOLD, 300))).save(memory)
    options = ['--memory', str(memory), '--supply', '7.4']
    mock = MockProcess(tmp_path / 'board', tmp_path / 'log.jsonl', options)
    yield tmp_path
    mock.end()


def test_it_shows_without_changing(folder: Path) -> None:
    """Everything that is known is told, and the board was asked only."""
    done = CliRunner().invoke(main, ['board', '--yes', str(folder / 'board')])
    assert done.exit_code == 0, done.output
    assert done.stdout.splitlines() == [
        'firmware     2.1',
        'starts       5, the last one: power on',
        'pulses on    none',
        'rate         50 Hz',
        'on silence   hold after 0.3 s',
        "supply       7.40 V, the board's own, not watched",
        'channel 0    600 to 2400 us, stored',
        'channel 17   700.5 to 2300 us, stored',
    ]
    # On a busy machine it may be greeted again before it has answered.
    first, *others = read_log(folder / 'log.jsonl')
    assert first.event == 'boot'
    assert {record.event for record in others} == {'hello'}


def test_a_script_reads_the_same(folder: Path) -> None:
    """As JSON, with numbers in the units that the keys name."""
    done = CliRunner().invoke(main, ['board', '--yes', str(folder / 'board'), '--json'])
    assert done.exit_code == 0, done.output
    known = json.loads(done.stdout)
    assert (known['firmware'], known['starts'], known['rate_hz']) == ('2.1', 5, 50.0)
    assert known['silence'] == {'reaction': 'hold', 'timeout_s': 0.3}
    assert known['supply'] == {'volts': 7.4, 'divider': None, 'low_volts': None}
    assert known['limits'][1] == {
        'channel': 17,
        'lowest_us': 700.5,
        'highest_us': 2300.0,
        'stored': True,
    }


def test_what_is_given_is_stored(folder: Path) -> None:
    """Divider, threshold and rate are kept by the board, and all else stays as it was."""
    options = ['--divider', '4', '--low-voltage', '6.2', '--rate', '100']
    done = CliRunner().invoke(main, ['board', '--yes', str(folder / 'board'), *options])
    assert done.exit_code == 0, done.output
    assert 'rate         100 Hz' in done.output
    assert 'supply       7.40 V, divider 4, low below 6.2 V' in done.output
    stored = Memory.load(folder / 'memory.json').settings
    assert stored == Settings(
        LIMITS, Silence(Reaction.HOLD, 300), Supply(4000, 6200), Period(10_000)
    )
    again = CliRunner().invoke(main, ['board', '--yes', str(folder / 'board'), '--own-supply'])
    assert "7.40 V, the board's own, low below 6.2 V" in again.output


@pytest.mark.parametrize('option', ['--divider=0.5', '--rate=49', '--rate=101', '--low-voltage=-1'])
def test_what_cannot_be_is_refused_before_the_board_is_asked(folder: Path, option: str) -> None:
    """The message names the option, and the board hears nothing."""
    done = CliRunner().invoke(main, ['board', '--yes', str(folder / 'board'), option])
    assert done.exit_code == 2
    assert option.split('=', maxsplit=1)[0] in done.output
    assert [record.event for record in read_log(folder / 'log.jsonl')] == ['boot']


def test_a_missing_board_says_what_to_do(tmp_path: Path) -> None:
    """No trace of a program, but what the driver has to say."""
    done = CliRunner().invoke(main, ['board', '--yes', str(tmp_path / 'nowhere')])
    assert done.exit_code == 1
    assert 'does not exist; plug the board in' in done.output
