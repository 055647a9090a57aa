# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The check in a process of its own, and the command around it."""

import os
import signal
import subprocess
import sys
from functools import partial
from multiprocessing import active_children
from pathlib import Path
from time import monotonic, sleep
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from leg_kinematics.commands.check import load_design
from leg_kinematics.commands.main import main
from leg_kinematics.design.live.checking import NICENESS, Failed, Found, News, ProcessChecker

if TYPE_CHECKING:
    from test.browser import chromium
else:
    from browser import chromium

CONFIG = Path(__file__).parents[3] / 'config'
BRACKEN = CONFIG / 'robots' / 'bracken.yaml'

#: Until what has to happen counts as not happening, s.
PATIENCE = 300.0


def end_of(checker: ProcessChecker) -> News:
    """Wait for the last thing that a check says."""
    end = monotonic() + PATIENCE
    while monotonic() < end:
        for news in checker.fetch():
            if isinstance(news, Found | Failed):
                return news
        sleep(0.01)
    raise AssertionError('the check has not ended')


def test_a_check_that_is_killed_says_so_and_the_next_one_waits(tmp_path: Path) -> None:
    """Such as by a system that is out of memory; nobody is left behind in the end."""
    checker = ProcessChecker(partial(load_design, BRACKEN, None, None), tmp_path)
    (first,) = active_children()
    checker.start()
    assert first.pid is not None
    os.kill(first.pid, signal.SIGKILL)
    failed = end_of(checker)
    assert isinstance(failed, Failed)
    assert 'exit code -9' in failed.words
    assert len(active_children()) == 1
    checker.close()
    assert active_children() == []


def test_a_process_that_has_died_waiting_says_so_too(tmp_path: Path) -> None:
    """At the next save; the one after it is checked again."""
    checker = ProcessChecker(partial(load_design, BRACKEN, None, None), tmp_path)
    (first,) = active_children()
    first.kill()
    first.join()
    checker.start()
    assert isinstance(end_of(checker), Failed)
    checker.close()


@pytest.mark.parametrize(
    ('arguments', 'words'),
    [
        (['--page', '--json'], 'leave --json or --page out'),
        (['--browser'], 'add --page'),
        (['--lan', '127.0.0.1'], 'add --page'),
        (['--page', '--lan', 'here'], 'no IP address'),
    ],
)
def test_options_that_do_not_fit_are_refused(arguments: list[str], words: str) -> None:
    """Before anything is read."""
    result = CliRunner().invoke(main, ['check', str(BRACKEN), *arguments])
    assert result.exit_code == 2
    assert words in result.output


def test_a_file_that_is_not_there_is_no_page(tmp_path: Path) -> None:
    """Its name was mistyped, and nobody would come to write it."""
    result = CliRunner().invoke(
        main, ['check', str(tmp_path / 'braken.yaml'), '--page', '--output', str(tmp_path)]
    )
    assert result.exit_code == 2
    assert 'braken.yaml: cannot be read' in result.output


@pytest.mark.soak
def test_a_real_check_is_nice_and_can_be_cut_short(tmp_path: Path) -> None:
    """Three checks, of which the first two are cut short; the third ends, with its pictures."""
    checker = ProcessChecker(partial(load_design, BRACKEN, None, None), tmp_path)
    for _ in range(3):
        checker.start()
        while not list(checker.fetch()):
            sleep(0.01)
        niceness = {
            os.getpriority(os.PRIO_PROCESS, each.pid) for each in active_children() if each.pid
        }
        assert NICENESS in niceness
    found = end_of(checker)
    checker.close()
    assert isinstance(found, Found)
    assert found.report.verdict == 'pass'
    assert [path.name for path in found.pictures] == [
        'robot.png',
        'reach.png',
        'ground.png',
        'torque.png',
    ]
    assert all(path.stat().st_size > 10_000 for path in found.pictures)


@pytest.mark.soak
@pytest.mark.timeout(1200)
def test_a_builder_edits_beside_the_page(tmp_path: Path) -> None:
    """The command, a browser, two saves and Ctrl-C; prints how long a builder waits."""
    robot = tmp_path / 'mine.yaml'
    robot.write_bytes(BRACKEN.read_bytes())
    command = [sys.executable, '-c', 'from leg_kinematics.commands.main import main; main()']
    options = ['check', str(robot), '--page', '--port', '0', '--output', str(tmp_path / 'pictures')]
    with subprocess.Popen([*command, *options], stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            url = process.stdout.readline().strip()
            with chromium() as browser:
                page = browser.new_page()
                page.set_default_timeout(1000.0 * PATIENCE)
                page.goto(url)
                verdict = "word => document.getElementById('verdict-word').innerText === word"
                page.wait_for_function(verdict, arg='pass')
                for old, new, word in (
                    ('length: 68 mm', 'length: 80 mm', 'pass'),
                    ('stall_torque: 15 kgf.cm', 'stall_torque: 8 kgf.cm', 'fail'),
                ):
                    text = robot.read_text(encoding='utf-8').replace(old, new)
                    saved = monotonic()
                    robot.write_text(text, encoding='utf-8')
                    page.wait_for_function(verdict, arg='checking')
                    shown = monotonic()
                    page.wait_for_function(verdict, arg=word)
                    told = monotonic()
                    print(f'{new}: robot {shown - saved:.2f} s, report {told - saved:.2f} s')  # noqa: T201
                    assert 'was ' in page.inner_text('#design-lines')
                page.wait_for_function("document.querySelectorAll('#pictures canvas').length === 4")
        finally:
            process.send_signal(signal.SIGINT)
        assert process.wait(PATIENCE) == 1
