# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The node that plays a sequence: only when told, and never on by itself."""

from collections.abc import Iterator
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import pytest
from std_srvs.srv import Trigger

from leg_kinematics.errors import DescriptionError
from leg_kinematics.nodes.one_process import one_process
from leg_kinematics.nodes.player_node import PlayerNode
from leg_kinematics.nodes.running.parameters import as_overrides
from leg_kinematics.nodes.taking_part.chain_processes import MockProcess
from leg_kinematics.parameters import Value

if TYPE_CHECKING:
    from test.nodes.conftest import Probe

SEQUENCE = """\
name: up and out
steps:
  - feet: {left_front: {z: 10 mm}}
    time: 0.3 s
  - feet: {left_front: {x: 10 mm}}
    time: 0.3 s
"""


@pytest.fixture
def sequence(tmp_path: Path) -> Path:
    """Write a short sequence."""
    file = tmp_path / 'sequence.yaml'
    file.write_text(SEQUENCE, encoding='utf-8')
    return file


@pytest.fixture
def player(
    probe: 'Probe', files: dict[str, str], sequence: Path, tmp_path: Path
) -> Iterator[PlayerNode]:
    """Start a chain on a mock board, enable its legs, and start a player."""
    mock = MockProcess(tmp_path / 'port', tmp_path / 'pulses.jsonl')
    bridge: dict[str, Value] = {
        **files,
        'boards': [f'main=framed:{tmp_path / "port"}'],
        'enable_interval': 0.02,
        'enable': True,
    }
    for node in one_process({**files}, bridge):
        probe.add(node)
    player = PlayerNode(as_overrides({**files, 'sequence': str(sequence)}))
    probe.add(player)
    probe.wait_for('bridge', 'active')
    probe.wait_for('player', 'ready')
    yield player
    mock.end()


def order(probe: 'Probe', name: str) -> tuple[bool, str]:
    """Call a service of the player."""
    answer = probe.call(Trigger, f'player/{name}', Trigger.Request())
    return answer.success, answer.message


def test_it_plays_pauses_steps_and_stops_by_a_word(probe: 'Probe', player: PlayerNode) -> None:
    """Each order says what came of it; a gait that takes the robot over pauses what is played."""
    assert order(probe, 'pause') == (False, 'nothing is played')
    assert order(probe, 'step') == (True, 'playing')
    assert order(probe, 'play') == (False, 'it is played already')
    probe.wait_for_words('player', 'at the end of a step')
    assert order(probe, 'play') == (True, 'playing')
    probe.wait_for_words('player', 'finished')
    assert probe.values['player']['step'] == '2'
    assert player.stage.feet[0][2] == pytest.approx(
        player.stage.calibrated.robot.resting.feet[0][2] + 0.01, abs=1e-6
    )
    assert probe.call(Trigger, 'gait/stand', Trigger.Request()).success
    probe.wait_for('gait', 'standing')
    refused, words = order(probe, 'play')
    assert not refused
    assert 'gait/hand_over' in words
    assert probe.call(Trigger, 'gait/hand_over', Trigger.Request()).success
    probe.until(lambda: not player.stage.trouble(monotonic()), 'silence of the gait')
    assert order(probe, 'play') == (True, 'playing')
    assert probe.call(Trigger, 'gait/stand', Trigger.Request()).success
    probe.wait_for_words('player', 'somebody else sends foot_targets')
    assert order(probe, 'stop')[0]
    probe.wait_for_words('player', 'stopped: step 1: by player/stop')


@pytest.mark.usefixtures('ros')
def test_a_sequence_that_is_wrong_ends_its_start(files: dict[str, str], sequence: Path) -> None:
    """With file and line."""
    sequence.write_text(SEQUENCE.replace('time: 0.3 s', 'time: 0.3 m'), encoding='utf-8')
    with pytest.raises(DescriptionError, match=r'sequence\.yaml:4: steps\[0\]\.time'):
        PlayerNode(as_overrides({**files, 'sequence': str(sequence)}))
