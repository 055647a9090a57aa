# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Starting: in any order, at any rate, before the board is there, or not at all, with a word."""

import signal
import subprocess
import sys
from collections.abc import Sequence
from itertools import permutations
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import serial

from leg_kinematics.board import read_log
from leg_kinematics.chain.power import PowerState
from leg_kinematics.nodes.taking_part.chain_processes import NODES, MockProcess
from leg_kinematics.nodes.taking_part.operator import READY

if TYPE_CHECKING:
    from test.chain.conftest import Scene, StartChain

CONFIG = Path(__file__).parents[2] / 'config'
ROBOT = CONFIG / 'robots' / 'bracken.yaml'
SERVO_MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'

#: For a process to end on a busy machine, s.
PATIENCE = 60.0

#: Of gait and bridge, Hz: from the least to the most that their parameters allow.
RATES = ((10.0, 10.0), (20.0, 50.0), (50.0, 20.0), (100.0, 200.0), (200.0, 100.0), (500.0, 200.0))

#: How the nodes are ended, one after another.
ENDS = (signal.SIGINT, signal.SIGTERM, signal.SIGINT)


@pytest.fixture(scope='module')
def parked(start_shared_chain: 'StartChain') -> 'Scene':
    """Return a board without a chain, which afterwards has the servos of whoever used it last."""
    return start_shared_chain(at_once=['mock'])


@pytest.mark.parametrize(
    ('order', 'rates'),
    [
        # The highest rates; all others in long runs, and every pair of rates in lock step.
        pytest.param(order, rates, marks=[] if rates == RATES[-1] else [pytest.mark.soak])
        for number, (order, rates) in enumerate(zip(permutations(NODES), RATES, strict=True))
    ],
    ids=lambda value: '-'.join(str(each)[:3] for each in value),
)
def test_in_any_order_and_at_any_rate(
    parked: 'Scene', order: Sequence[str], rates: tuple[float, float]
) -> None:
    """The nodes find each other, and nothing moves before gait/stand; then it walks; all end."""
    parked.begin()
    chain, operator = parked.chain, parked.operator
    gait_rate, bridge_rate = rates
    # The least silence of a board that the rate of the bridge allows.
    silence = max(0.5, 3.0 / bridge_rate)
    parameters = {
        'kinematics': {},
        'gait': {'rate': gait_rate},
        'bridge': {'rate': bridge_rate, 'board_silence': silence, 'enable': True},
    }
    for name in order:
        chain.start(name, parameters[name])
        operator.spin(
            lambda name=name: name in operator.node.get_node_names(),  # type: ignore[misc]
            f'discovery of {name}',
        )
    operator.wait_for_power(PowerState.FOLLOWING)
    operator.wait_for('gait', READY)
    operator.wait_for_graph()
    at_rest = parked.log.poses(parked.since)[0].time
    parked.see_still(at_rest)
    operator.stand()
    parked.walk_on()
    codes = [chain.stop(name, number) for name, number in zip(order, ENDS, strict=True)]
    assert codes == [0, 0, 0]
    parked.assert_no_jump()


def test_enable_waits_for_its_board(start_chain: 'StartChain') -> None:
    """A port that is not there, then one that is in use: both are told, and then it goes on."""
    scene = start_chain(at_once=NODES, bridge={'enable': True})
    chain, operator = scene.chain, scene.operator

    def waits(words: str) -> None:
        def said() -> bool:
            state = operator.states.get('bridge', '')
            return state.startswith('waiting for boards') and words in state

        operator.spin(said, f"'{words}' of the bridge that waits")

    waits(f'{chain.link} does not exist')
    # Somebody else has the port when the bridge first sees it.
    elsewhere = chain.link.with_name('elsewhere')
    chain.mock = MockProcess(elsewhere, chain.pulse_log)
    with serial.Serial(str(elsewhere), exclusive=True):
        chain.link.symlink_to(elsewhere.readlink())
        waits('in use')
        assert {record.event for record in scene.log.records()} == {'boot'}
    operator.wait_for_power(PowerState.FOLLOWING)
    operator.wait_for('gait', READY)
    operator.stand()
    scene.walk_on()
    scene.assert_no_jump()


def ends(names: Sequence[str], folder: Path, *parameters: str) -> dict[str, str]:
    """Start nodes that must fail; return what each said, apart from what it logs anyway.

    The bridge is told to switch the servos on at once, and a board is there.
    """
    board = MockProcess(folder / 'board', folder / 'pulses.jsonl')
    try:
        processes = {}
        for name in names:
            given = list(parameters)
            if name == 'bridge':
                given += [f"boards:=['main=framed:{folder / 'board'}']", 'enable:=true']
            arguments = [text for parameter in given for text in ('-p', parameter)]
            processes[name] = subprocess.Popen(
                [
                    sys.executable,
                    '-m',
                    f'leg_kinematics.nodes.{name}_node',
                    '--ros-args',
                    *arguments,
                ],
                stderr=subprocess.PIPE,
                text=True,
            )
        said = {
            name: process.communicate(timeout=PATIENCE)[1] for name, process in processes.items()
        }
        codes = {name: process.returncode for name, process in processes.items()}
    finally:
        board.end()
    assert codes == dict.fromkeys(names, 2), said
    assert [record.event for record in read_log(folder / 'pulses.jsonl')] == ['boot']
    return {
        name: '\n'.join(line for line in text.splitlines() if not line.startswith('[INFO]'))
        for name, text in said.items()
    }


def test_a_wrong_file(tmp_path: Path) -> None:
    """Every node ends with exit code 2 and one line that tells the file, the line and what."""
    text = ROBOT.read_text(encoding='utf-8')
    wrong = tmp_path / 'wrong.yaml'
    wrong.write_text(text.replace('length: 32 mm', 'length: 32 kg', 1), encoding='utf-8')
    line = 1 + text[: text.index('length: 32 mm')].count('\n')
    said = ends(NODES, tmp_path, f'robot:={wrong}', f'servo_maps:={SERVO_MAPS}')
    for message in said.values():
        assert len(message.splitlines()) == 1, message
        assert message.startswith(f'{wrong}:{line}: '), message
        assert 'kg' in message


@pytest.mark.parametrize(
    ('names', 'parameters', 'words'),
    [
        (NODES, ['speeed:=1.0'], ("unknown parameter 'speeed'; ", 'speed')),
        (('gait', 'bridge'), ['rate:=1000.0'], ("'rate' must be a number in [10, ", '1000.0')),
        (('bridge',), ['rate:=10.0', 'board_silence:=0.2'], ("'board_silence' 0.2", '10 Hz')),
        (NODES, ['use_sim_time:=true'], ("'use_sim_time' must be false", 'real time')),
    ],
    ids=['unknown', 'out of range', 'contradiction', 'simulated time'],
)
def test_a_wrong_parameter(
    tmp_path: Path, names: Sequence[str], parameters: Sequence[str], words: Sequence[str]
) -> None:
    """The node ends with exit code 2 and one line that tells name, value and bound."""
    said = ends(names, tmp_path, f'robot:={ROBOT}', f'servo_maps:={SERVO_MAPS}', *parameters)
    for message in said.values():
        assert len(message.splitlines()) == 1, message
        assert all(each in message for each in words), message
