# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A recorded walk replayed into processes that run, and into some that are started for it."""

import json
import subprocess
import sys
from collections.abc import Sequence
from math import dist
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from nav_msgs.msg import Odometry
from rclpy.serialization import deserialize_message
from rosgraph_msgs.msg import Clock

from leg_kinematics.gait import Twist

if TYPE_CHECKING:
    from test.chain.conftest import Scene, StartChain
    from test.recorded_run import EPOCH, walk, write_run
else:
    from recorded_run import EPOCH, walk, write_run

LEG_KINEMATICS = [
    sys.executable,
    '-c',
    'from leg_kinematics.commands.main import main; main(prog_name="leg-kinematics")',
]

PATIENCE = 120.0

#: The part of the run in which the robot walks, s.
WALKS = ('--from', '4.3', '--to', '6.0')


@pytest.fixture(scope='module')
def bag(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a walk as a recording on the disk."""
    folder = tmp_path_factory.mktemp('bags') / 'arc'
    write_run(walk(), folder)
    return folder


class Replayed:
    """The command, beside somebody who operates the chain."""

    def __init__(self, scene: 'Scene', bag: Path, arguments: Sequence[str]) -> None:
        """Start it."""
        self._operator = scene.operator
        namespace = self._operator.node.get_namespace()
        self.process = subprocess.Popen(
            [*LEG_KINEMATICS, 'replay', str(bag), *arguments, '--into', namespace, '--json'],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def answer(self, code: int) -> dict[str, Any]:
        """Wait for its end while the operator lives; give what it told."""
        self._operator.spin(lambda: self.process.poll() is not None, 'its end', PATIENCE)
        told, warned = self.process.communicate()
        assert self.process.returncode == code, (told, warned)
        result = json.loads(told)
        assert isinstance(result, dict)
        return result


def place_of(odometry: bytes) -> tuple[float, float]:
    """Give where the robot is, m."""
    position = deserialize_message(odometry, Odometry).pose.pose.position
    return position.x, position.y


def test_into_a_chain_that_runs(start_chain: 'StartChain', bag: Path) -> None:
    """It raises nothing, walks the way of the recording, and gives way to who else drives."""
    scene = start_chain()
    operator = scene.operator
    operator.bring_up()
    assert 'call gait/stand first' in Replayed(scene, bag, []).answer(1)['reason']
    operator.stand()
    clock: list[int] = []
    operator.node.create_subscription(Clock, '/clock', lambda m: clock.append(m.clock.sec), 10)
    before = place_of(operator.odometry[-1])
    replayed = Replayed(scene, bag, [*WALKS, '--loop', '--clock'])
    # A round is at most 95 mm long.
    operator.spin(
        lambda: dist(place_of(operator.odometry[-1]), before) > 0.1, 'another round', PATIENCE
    )
    operator.drive(Twist(), 0.5, 'standing in the way')
    told = replayed.answer(1)
    assert (told['state'], told['driven']) == ('stopped', 'cmd_vel')
    assert told['rounds'] >= 1
    assert 'operator sends cmd_vel as well' in told['reason']
    assert {EPOCH // 10**9 + 5, EPOCH // 10**9 + 6} <= set(clock)
    scene.assert_no_jump()


def test_where_none_runs_it_starts_one_on_a_mock(bag: Path) -> None:
    """Of the robot that is in the recording; joint targets, from the middle of the walk."""
    options = ['--json', '--into', '/nobody_here', '--speed', '10']
    ended = subprocess.run(
        [*LEG_KINEMATICS, 'replay', str(bag), 'joint_trajectory', *WALKS, *options],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=PATIENCE,
        check=False,
    )
    assert ended.returncode == 0, ended.stderr
    told = json.loads(ended.stdout)
    assert told['state'] == 'finished'
    assert told['place_s'] == pytest.approx(6.0)
    assert told['namespace'].startswith('/nobody_here/mock_')
    assert 'nothing real moves' in ' '.join(ended.stderr.split())
