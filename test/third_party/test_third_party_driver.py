# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A driver of somebody else, installed as a package of its own, drives a robot's servos."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.robot import load_robot
from leg_kinematics.solver import leg_solvers, posture_angles

HERE = Path(__file__).parent
CONFIG = HERE.parents[1] / 'config'
ROBOT = CONFIG / 'robots' / 'bracken.yaml'
SERVO_MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'

PATIENCE = 60.0  # s


@pytest.fixture(scope='session')
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Install the package into a folder of its own, from a copy of its source."""
    source, target = (tmp_path_factory.mktemp(name) for name in ('source', 'site'))
    for file in (HERE / 'notebook_board').glob('*.py'):
        (source / file.name).write_bytes(file.read_bytes())
    steps = ['install_lib', '--install-dir', str(target)]
    steps += ['install_egg_info', '--install-dir', str(target)]
    subprocess.run(
        [sys.executable, 'setup.py', '--quiet', *steps], cwd=source, check=True, timeout=PATIENCE
    )
    return target


def bridge(notebook: Path, *, installed: Path | None = None) -> 'subprocess.Popen[str]':
    """Start a bridge that powers its servos at once, with or without the package."""
    environment = dict(os.environ)
    if installed is not None:
        # A sourced ROS 2 has its packages there too.
        path = (str(installed), environment.get('PYTHONPATH', ''))
        environment['PYTHONPATH'] = os.pathsep.join(path)
    arguments = ['--ros-args', '-r', '__ns:=/greenhouse_paper']
    for name, value in {
        'robot': ROBOT,
        'servo_maps': SERVO_MAPS,
        'boards': f"['main=notebook:{notebook}']",
        'enable': 'true',
        'enable_interval': 0.02,
    }.items():
        arguments += ['-p', f'{name}:={value}']
    return subprocess.Popen(
        [sys.executable, '-m', 'leg_kinematics.nodes.bridge_node', *arguments],
        env=environment,
        stderr=subprocess.PIPE,
        text=True,
    )


def log_until(process: 'subprocess.Popen[str]', words: str) -> str:
    """Read the log of a bridge until a line ends with these words."""
    assert process.stderr is not None
    log = ''
    for line in process.stderr:
        log += line
        if line.endswith(f'{words}\n'):
            return log
    pytest.fail(f'the bridge ended before it said {words!r}: {log}')


def notes(notebook: Path) -> list[dict[str, Any]]:
    """Read what was written down."""
    return [json.loads(line) for line in notebook.read_text(encoding='utf-8').splitlines()]


@pytest.fixture
def written(installed: Path, tmp_path: Path) -> tuple[list[dict[str, Any]], str]:
    """Return what a bridge wrote down until it drove every channel, and its log."""
    notebook = tmp_path / 'notebook.jsonl'
    process = bridge(notebook, installed=installed)
    try:
        log = log_until(process, ']: active')
        process.send_signal(signal.SIGINT)
        log += process.communicate(timeout=PATIENCE)[1]
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 0
    return notes(notebook), log


def test_it_gets_settings_and_poses_like_any_other(
    written: tuple[list[dict[str, Any]], str],
) -> None:
    """Limits first, then legs one after another at the resting posture, and closed in the end."""
    noted, log = written
    robot = load_robot(ROBOT)
    maps = load_servo_maps(SERVO_MAPS, robot).maps
    legs = leg_solvers(robot, {each.joint: each.angle_range for each in maps})
    angles = [angle for leg in posture_angles(robot, legs, 'resting') for angle in leg]
    resting = {
        str(each.channel): each.pulse_us(angle) for each, angle in zip(maps, angles, strict=True)
    }
    assert [note['event'] for note in noted[:2]] == ['open', 'configure']
    assert noted[1]['limits'] == {str(each.channel): [600.0, 2400.0] for each in maps}
    poses = [note for note in noted if note['event'] == 'pose']
    assert all(note['pulses_us'] == resting for note in poses)
    assert any(len(note['enabled']) == 18 for note in poses)
    enabled = [len(note['enabled']) for note in noted if note['event'] == 'enable']
    assert enabled == sorted(enabled)
    assert set(enabled) >= {3, 6, 9, 12, 15, 18}
    assert noted[-1]['event'] == 'close'
    assert 'what board main cannot promise: no servo: paper does not move' in log


def test_without_the_package_the_driver_is_not_known(tmp_path: Path) -> None:
    """The bridge does not start, says so, and names those that are there."""
    notebook = tmp_path / 'notebook.jsonl'
    process = bridge(notebook)
    try:
        _, log = process.communicate(timeout=PATIENCE)
    finally:
        process.kill()
    assert process.returncode == 2
    assert "no driver named 'notebook' for servo boards is installed" in log
    assert '(installed: firmata, framed)' in log
    assert 'Traceback' not in log
    assert not notebook.exists()
