# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Somebody drives a robot from another machine, by the keys of a terminal, through the link."""

import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from leg_kinematics.commands.driving.driven_by_link import DrivenByLink
from leg_kinematics.teleop.layout import Act

if TYPE_CHECKING:
    from test.chain.conftest import StartChain
    from test.fleet import Fleet, free_address, until
    from test.relay import Relay
    from test.terminal import LEG_KINEMATICS, Terminal, at_a_terminal
else:
    from fleet import Fleet, free_address, until
    from relay import Relay
    from terminal import LEG_KINEMATICS, at_a_terminal

STANDING, WALKING = (rf'(^gait: |may send\. |^)({state})$' for state in ('standing', 'walking'))

PATIENCE = 60.0


@contextmanager
def beside(namespace: str, *nodes: tuple[str, list[str]]) -> Iterator[None]:
    """Start nodes, each with its arguments; in the end all must end well."""
    processes = [
        subprocess.Popen(
            [
                sys.executable, '-m', f'leg_kinematics.nodes.{name}_node',
                '--ros-args', '-r', f'__ns:={namespace}', *arguments,
            ]
        )
        for name, arguments in nodes
    ]  # fmt: skip
    try:
        yield
    finally:
        for process in processes:
            process.terminate()
        codes = [process.wait(PATIENCE) for process in processes]
    assert codes == [0] * len(nodes)


def shows(terminal: 'Terminal', pattern: str) -> bool:
    """Tell whether a line of the screen has a pattern."""
    return any(re.search(pattern, line) for line in terminal.lines)


def test_from_another_machine(start_chain: 'StartChain', tmp_path: Path) -> None:
    """It stands up and walks; a cut under a held key stops it, and its end does not set it off.

    The gait warns of the witness of this test, who could send velocities as well.
    """
    fleet, address = Fleet(tmp_path / 'keys', ('bracken',), ('anna',)), free_address()
    scene = start_chain()
    scene.operator.bring_up()
    key = ['-p', f'key:={fleet.robot().folder}', '-p', f'listen:={address}']
    with (
        beside(scene.operator.node.get_namespace(), ('remote', key), ('arbiter', [])),
        Relay(address) as relay,
        at_a_terminal(
            ['drive', '--robot', f'bracken@{relay.address}', '--key', str(fleet.folder / 'anna')],
            80,
            40,
        ) as terminal,
    ):
        terminal.read_until_shown('^standing still', 'waiting for gait/stand$')
        assert f'driving bracken at {relay.address}, slow range' in terminal.lines[0]
        terminal.read_until_shown('^driver: nobody', '^odometry: ')
        terminal.type('g')
        terminal.read_until_shown('^bracken, stand: gait/stand: now ', STANDING)

        def held_until(pattern: str) -> None:
            def there() -> bool:
                terminal.type('w')
                return shows(terminal, pattern)

            terminal.read_until(there)

        driving = rf'^driver: {fleet.driver("anna").identity}'

        def walking() -> bool:
            # A busy machine may end a press, and a key that ended has to be let go of.
            if not shows(terminal, '^stopped'):
                terminal.type('w')
            return shows(terminal, WALKING) and shows(terminal, driving)

        terminal.type('+')
        terminal.read_until(walking)
        relay.cut()
        held_until('^link: nothing is heard from bracken')
        assert shows(terminal, '^stopped: nothing was heard from the robot for 0.5 s')
        scene.operator.spin(
            lambda: scene.operator.states['gait'].endswith('standing'), 'a robot that stands'
        )
        relay.mend()
        held_until('^driver: nobody')
        held_until(STANDING)
        assert shows(terminal, '^standing still')
        terminal.type('s')
        terminal.read_until_shown('^driver: anna', '^back')
        terminal.type('x')
        terminal.read_until_shown('^bridge: released until bridge/rearm')
        terminal.type('q')
        said = terminal.end()
        assert terminal.process.returncode == 0
    assert 'nothing is sent any more' in ' '.join(said.split())
    scene.assert_no_jump()


def test_run_lets_others_drive(tmp_path: Path) -> None:
    """With the key of the robot it starts all that they need, and ends it with the chain."""
    fleet, address = Fleet(tmp_path / 'keys', ('bracken',), ('anna',)), free_address()
    parameters = tmp_path / 'nodes.yaml'
    parameters.write_text(f'/**/remote:\n  ros__parameters:\n    listen: {address}\n')
    told: list[str] = []
    driven = DrivenByLink(fleet.folder / 'anna', {'bracken': address}, told.append)
    files = ['--key', str(fleet.robot().folder), '--params-file', str(parameters)]
    command = [*LEG_KINEMATICS, 'run', '--enable', '--namespace', 'run_by_key', *files]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as process:
        try:

            def waiting() -> bool:
                driven.work(0.02)
                return ('gait', 'waiting for gait/stand') in driven.states

            until(waiting, 'a robot that waits')
            driven.order([Act.STAND], 0.5)

            def answered() -> bool:
                driven.work(0.02)
                return bool(told)

            until(answered, 'an answer')
            process.send_signal(signal.SIGINT)
            _, errors = process.communicate(timeout=PATIENCE)
        finally:
            process.kill()
    assert told == ['bracken, stand: gait/stand: now standing_up']
    assert process.returncode == 0, errors
    assert 'Traceback' not in errors
    driven.work(1.0)
    assert driven.states == [('link', 'nothing is heard from bracken')]
    driven.leave()


def test_what_is_wrong_is_said_before_the_screen(tmp_path: Path) -> None:
    """Exit code 2 for a robot that no register lists; all else is in `test/remote`."""
    fleet = Fleet(tmp_path / 'keys', ('bracken',), ('anna',))
    key = str(fleet.folder / 'anna')
    with at_a_terminal(['drive', '--robot', 'fern@localhost', '--key', key], 80, 30) as terminal:
        assert terminal.process.wait(60) == 2
        said = ' '.join(terminal.end().split())
    assert "no robot 'fern' is registered; there are: bracken" in said
