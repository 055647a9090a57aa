# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Somebody drives a robot that runs, by the keys of a terminal."""

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
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


def test_where_no_gait_runs_it_says_so() -> None:
    """With what to start, and exit code 1."""
    with at_a_terminal(['drive', '--namespace', '/nobody_there'], 80, 30) as terminal:
        assert terminal.process.wait(60) == 1
        said = ' '.join(terminal.end().split())
    assert 'nobody takes cmd_vel in namespace /nobody_there' in said
