# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Somebody drives a robot that runs, by the keys of a terminal or by a pad that SDL makes up."""

import os
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from nav_msgs.msg import Odometry

    from test.chain.conftest import StartChain
    from test.terminal import at_a_terminal
else:
    from terminal import at_a_terminal


STANDING, WALKING = (rf'(^gait: |may send\. |^)({state})$' for state in ('standing', 'walking'))


def test_by_keys(start_chain: 'StartChain') -> None:
    """It stands up, walks while a key repeats, stops by itself, and sinks by a key; told each time.

    The gait warns of the witness of this test, who could send velocities as well.
    """
    scene = start_chain()
    operator = scene.operator
    operator.bring_up()
    namespace = operator.node.get_namespace()
    with at_a_terminal(['drive', '--namespace', namespace], 80, 30) as terminal:
        terminal.read_until_shown('^standing still', '^gait: waiting for gait/stand')
        assert all(len(line) <= 80 for line in terminal.lines)
        assert f'driving {namespace} on cmd_vel, slow range' in terminal.lines[0]
        terminal.type('g')
        terminal.read_until_shown('^gait/stand: now ', STANDING)
        terminal.type('+w')
        terminal.read_until_shown('^forward')

        def walks() -> bool:
            terminal.type('w')
            return any(re.search(WALKING, line) for line in terminal.lines)

        terminal.read_until(walks)
        terminal.read_until_shown('^standing still', STANDING)
        terminal.type('x')
        terminal.read_until_shown('^bridge: released until bridge/rearm')
        terminal.type('q')
        said = terminal.end()
        assert terminal.process.returncode == 0
        assert terminal.settings == terminal.before
    assert 'nothing is sent any more' in ' '.join(said.split())
    scene.assert_no_jump()


VIRTUAL_PAD = Path(__file__).parents[1] / 'virtual_pad.py'


@pytest.mark.soak
def test_by_a_gamepad(start_chain: 'StartChain', tmp_path: Path) -> None:
    """It walks while the hold control is pressed; pulled out the robot stops, and that is shown.

    A pad that comes back moves nothing with what is pressed. The ranges are those of a file.
    """
    scene = start_chain()
    operator = scene.operator
    operator.bring_up()
    operator.stand()
    namespace = operator.node.get_namespace()
    params = tmp_path / 'params.yaml'
    params.write_text('/**/teleop: {ros__parameters: {slow_speed: 0.02}}\n', encoding='utf-8')
    pipe = tmp_path / 'pad'
    os.mkfifo(pipe)
    arguments = ['drive', '--gamepad', '--namespace', namespace, '--params-file', str(params)]
    command = [sys.executable, str(VIRTUAL_PAD), str(pipe)]
    with at_a_terminal(arguments, 100, 30, command) as terminal, pipe.open('w') as pad:

        def do(*lines: str) -> None:
            pad.writelines(f'{line}\n' for line in lines)
            pad.flush()

        terminal.read_until_shown('^no pad: nothing has been heard')
        do('plug in')
        terminal.read_until_shown('ready: the robot moves while leftshoulder is pressed')
        do('press leftshoulder', 'deflect lefty -1')
        terminal.read_until_shown(': driving', WALKING)
        twists = velocities(operator.odometry_heard())
        assert max(twists) <= 0.02 + 1e-6
        do('pull out')
        terminal.read_until_shown('^no pad: .* was pulled out', STANDING)
        do('plug in', 'press leftshoulder', 'deflect lefty -1')
        terminal.read_until_shown('stopped: the pad has just come; let go of leftshoulder')
        terminal.type('x')
        terminal.read_until_shown('^bridge: released until bridge/rearm')
        terminal.type('q')
        terminal.end()
        assert terminal.process.returncode == 0
    scene.assert_no_jump()


def velocities(odometry: 'list[Odometry]') -> list[float]:
    """Give the speeds of the body, m/s."""
    return [abs(each.twist.twist.linear.x) for each in odometry]


def test_where_no_gait_runs_it_says_so() -> None:
    """With what to start, and exit code 1."""
    with at_a_terminal(['drive', '--namespace', '/nobody_there'], 80, 30) as terminal:
        assert terminal.process.wait(60) == 1
        said = ' '.join(terminal.end().split())
    assert 'nobody takes cmd_vel in namespace /nobody_there' in said
