# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A line on paper at a terminal: one foot on the mock, read off the screen."""

import json
import re
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from leg_kinematics.commands.main import main

if TYPE_CHECKING:
    from test.terminal import at_a_terminal
else:
    from terminal import at_a_terminal

CONFIG = Path(__file__).parents[2] / 'config'
LEG = 'left_front'
STOPS = 9

#: What the screen says of a mark.
RULER = r'the ruler shows (-?[\d.]+) mm'


@pytest.fixture
def files(tmp_path: Path) -> list[str]:
    """Return copies of description and maps of the leg, as arguments."""
    robot = shutil.copy(CONFIG / 'robots' / 'bench_leg.yaml', tmp_path / 'leg.yaml')
    maps = shutil.copy(CONFIG / 'servo_maps' / 'bench_leg.yaml', tmp_path / 'maps.yaml')
    return ['survey', str(robot), '--servo-maps', str(maps), '--lines', LEG]


@pytest.mark.soak
def test_a_line_on_the_mock(files: list[str], tmp_path: Path) -> None:
    """Nine stops, seven numbers, and what they are worth; nothing of the robot is written."""
    out = tmp_path / 'out'
    before = {each: each.read_bytes() for each in tmp_path.glob('*.yaml')}
    with at_a_terminal([*files, '--output', str(out), '--json'], 100, 45) as terminal:
        terminal.read_until_shown(f'^{LEG}: a line', 'has no pulses')
        terminal.type('\r')
        terminal.read_until_shown('The foot goes to the first of 9 stops', '^at rest')
        terminal.type('\r')
        for stop in range(1, STOPS + 1):
            terminal.read_until_shown(f'^Stop {stop} of {STOPS}', '^at rest')
            terminal.type('\r')
        typed = []
        for mark in range(2, STOPS):
            terminal.read_until_shown(f'how far is mark {mark} beside it', RULER)
            found = re.search(RULER, '\n'.join(terminal.lines))
            assert found
            typed.append(float(found[1]))
            for _ in range(2 if abs(typed[-1]) > 3.0 else 1):
                terminal.type(f'{typed[-1]}\r')
            terminal.read_until_shown(f'^taken: mark {mark} ')
        terminal.read_until_shown('^What is left over')
        terminal.type('\r')
        said = terminal.end()
        assert terminal.process.returncode == 0
        assert terminal.settings == terminal.before
    assert 'no leg has pulses' in said
    assert (out / f'{LEG}-line.png').stat().st_size > 10_000
    told = json.loads(said[said.index('{') :])
    assert told['measured_mm'] == pytest.approx([0.0, *typed, 0.0], abs=1e-9)
    for place in range(STOPS):
        parts = sum(told[f'{part}_mm'][place] for part in ('steps', 'dead_band', 'slack', 'left'))
        assert parts == pytest.approx(told['measured_mm'][place])
    assert {each: each.read_bytes() for each in before} == before


def test_a_leg_that_is_not_there(files: list[str]) -> None:
    """Exit code 2, with the name that was meant."""
    done = CliRunner().invoke(main, [*files[:-1], 'left_frnt'])
    assert done.exit_code == 2
    assert f'did you mean {LEG!r}?' in done.stderr


def test_without_a_terminal_it_says_so(files: list[str], tmp_path: Path) -> None:
    """Exit code 2."""
    done = CliRunner().invoke(main, [*files, '--output', str(tmp_path / 'out')])
    assert done.exit_code == 2
    assert 'the questions need a terminal' in done.stderr
