# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The option --params-file of `check` and `demo`: the gait of the user, not the default one."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from leg_kinematics.commands.main import main

BRACKEN = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'


def test_check_walks_as_the_file_says(tmp_path: Path) -> None:
    """A lower bound of the speed is what is walked, and the duty factor is that of the file."""
    params = tmp_path / 'params.yaml'
    params.write_text(
        '/**/gait: {ros__parameters: {max_speed: 0.02, duty_factor: 0.8, slow_duty_factor: 0.8}}\n'
    )
    arguments = ['check', str(BRACKEN), '--params-file', str(params), '--json']
    result = CliRunner().invoke(main, [*arguments, '--output', str(tmp_path / 'pictures')])
    walks = {
        finding['name']: finding['value']
        for finding in json.loads(result.stdout)['findings']
        if finding['group'] == 'fastest walk'
    }
    assert walks['forward, at 0.80'] == pytest.approx(0.02)
    assert 'forward, at 0.50' not in walks


@pytest.mark.parametrize('command', [['check', str(BRACKEN)], ['demo']])
def test_a_wrong_file_is_told_before_anything_happens(tmp_path: Path, command: list[str]) -> None:
    """Exit code 2 with file, parameter and bounds, and no output folder."""
    params = tmp_path / 'params.yaml'
    params.write_text('/**/gait: {ros__parameters: {lift: 30}}\n')
    output = tmp_path / 'output'
    arguments = [*command, '--params-file', str(params), '--output', str(output)]
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 2
    assert f"{params}: 'lift' must be" in result.stderr
    assert '0.5' in result.stderr
    assert not output.exists()
