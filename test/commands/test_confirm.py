# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What can move or drop a robot is asked first, of somebody at a terminal."""

import os
import pty
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from leg_kinematics.board.simulated.pulse_log import read_log
from leg_kinematics.commands.main import main
from leg_kinematics.nodes.taking_part.chain_processes import MockProcess

LEG_KINEMATICS = [sys.executable, '-c', 'from leg_kinematics.commands.main import main; main()']
RUN = ['run', '--enable', '--board', 'main=nonsense:/dev/null']
NO_DRIVER = "no driver named 'nonsense'"


@pytest.fixture
def mock(tmp_path: Path) -> Iterator[Path]:
    """Start a mock board; its port is ``board`` in the folder, and ``log`` tells what it hears."""
    process = MockProcess(tmp_path / 'board', tmp_path / 'log')
    yield tmp_path
    process.end()


def at_a_terminal(arguments: list[str], typed: str) -> subprocess.CompletedProcess[str]:
    """Run a command whose input is a terminal on which somebody has typed."""
    keyboard, terminal = pty.openpty()
    try:
        os.write(keyboard, typed.encode())
        return subprocess.run(
            [*LEG_KINEMATICS, *arguments],
            stdin=terminal,
            capture_output=True,
            text=True,
            check=False,
        )
    finally:
        os.close(terminal)
        os.close(keyboard)


def test_who_says_no_powers_nothing() -> None:
    """The caution, the question, and the end before any node has seen its board."""
    done = at_a_terminal(RUN, 'n\n')
    assert done.returncode == 1
    caution, question = (
        done.stderr.index('servos start without warning'),
        done.stderr.index('[y/N]'),
    )
    assert caution < question
    assert NO_DRIVER not in done.stderr


def test_who_says_yes_goes_on() -> None:
    """As far as the bridge, which refuses the board whose driver is none."""
    done = at_a_terminal(RUN, 'y\n')
    assert done.returncode == 2
    assert done.stderr.index('[y/N]') < done.stderr.index(NO_DRIVER)


def test_the_flag_answers_the_question() -> None:
    """The caution is shown, nothing is asked, and the bridge is reached."""
    done = subprocess.run(
        [*LEG_KINEMATICS, *RUN, '--yes'],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert '[y/N]' not in done.stderr
    assert done.stderr.index('servos start') < done.stderr.index(NO_DRIVER)


def test_where_nobody_can_be_asked_servos_get_no_power() -> None:
    """Exit code 2, with the caution and the way out."""
    done = CliRunner().invoke(main, RUN)
    assert done.exit_code == 2
    assert 'servos start without warning' in done.stderr
    assert 'nothing was done' in done.stderr
    assert '--yes' in done.stderr


def test_a_port_is_not_opened_unasked(mock: Path) -> None:
    """Neither where nobody can be asked nor after a no; the board has heard nothing then."""
    port = str(mock / 'board')
    unasked = CliRunner().invoke(main, ['board', port])
    assert unasked.exit_code == 2
    refused = at_a_terminal(['board', port], 'n\n')
    assert refused.returncode == 1
    for words in (unasked.stderr, refused.stderr):
        assert f'opening {port} restarts the chip on many boards' in words
    assert [record.event for record in read_log(mock / 'log')] == ['boot']


def test_a_port_is_opened_after_a_yes(mock: Path) -> None:
    """Then the board tells what it is."""
    done = at_a_terminal(['board', str(mock / 'board')], 'y\n')
    assert done.returncode == 0, done.stderr
    assert 'firmware     2.1' in done.stdout
