# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What `check` prints: nothing is lost on a narrow terminal or in a file."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]

#: The command as a process of its own, whose output is no terminal.
COMMAND = (sys.executable, '-c', 'from leg_kinematics.commands.main import main; main()', 'check')


@pytest.fixture(scope='module')
def arguments(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Return the arguments for a robot that fails, so that every kind of line is there."""
    folder = tmp_path_factory.mktemp('robot')
    text = (ROOT / 'config' / 'robots' / 'bracken.yaml').read_text(encoding='utf-8')
    file = folder / 'robot.yaml'
    file.write_text(text.replace('length: 68 mm', 'length: 24 mm', 1), encoding='utf-8')
    maps = ROOT / 'config' / 'servo_maps' / 'bracken.yaml'
    return [str(file), '--servo-maps', str(maps), '--output', str(folder / 'pictures')]


def printed(arguments: list[str], environment: dict[str, str]) -> str:
    """Run `check` with its output in a pipe."""
    run = subprocess.run(
        [*COMMAND, *arguments],
        env=environment,
        capture_output=True,
        encoding='utf-8',
        check=False,
    )
    assert run.returncode == 1, run.stderr
    return run.stdout


@pytest.fixture(scope='module')
def environment() -> dict[str, str]:
    """Return the environment without what tells of a terminal."""
    unwanted = {'COLUMNS', 'FORCE_COLOR', 'TTY_COMPATIBLE'}
    return {key: value for key, value in os.environ.items() if key not in unwanted}


@pytest.fixture(scope='module')
def findings(arguments: list[str], environment: dict[str, str]) -> list[dict[str, Any]]:
    """Return what the report has for scripts to read."""
    found: list[dict[str, Any]] = json.loads(printed([*arguments, '--json'], environment))[
        'findings'
    ]
    return found


@pytest.mark.parametrize('columns', [None, 60])
def test_nothing_is_lost(
    arguments: list[str],
    environment: dict[str, str],
    findings: list[dict[str, Any]],
    columns: int | None,
) -> None:
    """Every word of the report for scripts is there, and no line is wider than the terminal."""
    width = {} if columns is None else {'COLUMNS': str(columns)}
    text = printed(arguments, environment | width)
    assert '\x1b' not in text
    assert '…' not in text
    folded = ' '.join(text.split())
    for finding in findings:
        parts = [finding['group'], finding['name'], finding['detail']]
        if finding['verdict'] != 'pass':
            parts.append(finding['remedy'])
        for part in parts:
            assert ' '.join(part.split()) in folded
        for part in finding['advice']:
            assert part in folded
    if columns is not None:
        # The names of files stay whole, whatever their length.
        wide = [line for line in text.splitlines() if len(line) > columns]
        assert all('/' in line for line in wide)
    else:
        details = [finding['detail'] for finding in findings]
        assert all(any(detail in line for line in text.splitlines()) for detail in details)
