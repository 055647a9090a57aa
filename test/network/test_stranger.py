# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A stranger on the network of the robot, who knows its address and speaks ROS 2.

While `run` has its default he finds nothing, hears nothing and moves nothing, though every program
of the robot's own computer does. With the network named he does all of it, as the robot tells.
"""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from test.namespaces import Machine, Machines

COMMAND = [sys.executable, '-c', 'from leg_kinematics.commands.main import main; main()']

PATIENCE = 60.0

#: Fast DDS announces itself every 3 s, and at its start more often; whom it has not found after
#: twice that it does not find.
FRUITLESS = 6.5

#: Finds, hears, sends velocities and releases, if it can; ends once obeyed, or after a while.
PERSON = """
import json, sys
from time import monotonic
import rclpy
from geometry_msgs.msg import TwistStamped
from sensor_msgs.msg import JointState
from std_srvs.srv import Trigger
rclpy.init()
node = rclpy.create_node('person')
heard, asks = [], sys.argv[2] == 'asks'
node.create_subscription(JointState, 'joint_states', heard.append, 10)
velocity = node.create_publisher(TwistStamped, 'cmd_vel', 10)
release = node.create_client(Trigger, 'bridge/release')
asked = None
end = monotonic() + float(sys.argv[1])
while monotonic() < end:
    rclpy.spin_once(node, timeout_sec=0.05)
    velocity.publish(TwistStamped())
    there = velocity.get_subscription_count() and release.service_is_ready()
    if there and heard and len(node.get_node_names()) > 3 and asks and asked is None:
        asked = release.call_async(Trigger.Request())
    if asked is not None and asked.done():
        break
print(json.dumps({
    'nodes': sorted(set(node.get_node_names()) - {'person'}),
    'heard': bool(heard),
    'listeners': velocity.get_subscription_count(),
    'released': bool(asked and asked.done() and asked.result().success),
}))
node.destroy_node()
rclpy.shutdown()
"""

NOTHING = {'nodes': [], 'heard': False, 'listeners': 0, 'released': False}
EVERYTHING = {'nodes': ['bridge', 'gait', 'kinematics'], 'heard': True, 'released': True}


@pytest.fixture
def greenhouse(machines: 'Machines') -> 'tuple[Machine, Machine]':
    """Return the computer of a robot and that of a stranger, joined by a cable."""
    robot, stranger = machines.machine('robot'), machines.machine('stranger')
    machines.cable(robot, stranger, ('garden0', 'street0'))
    robot.address('garden0', '10.77.0.1/24')
    stranger.address('street0', '10.77.0.2/24')
    return robot, stranger


def environment(**more: str) -> dict[str, str]:
    """Return that of somebody who has chosen no network."""
    chosen = {'FASTDDS_DEFAULT_PROFILES_FILE', 'FASTDDS_BUILTIN_TRANSPORTS'}
    return {name: value for name, value in os.environ.items() if name not in chosen} | more


@contextmanager
def running(machine: 'Machine', *options: str) -> 'Iterator[subprocess.Popen[str]]':
    """Run the chain on a mock, with power."""
    process = subprocess.Popen(
        machine.command(*COMMAND, 'run', '--enable', *options),
        env=environment(),
        stdin=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        process.terminate()
        process.communicate(timeout=PATIENCE)
    assert process.returncode == 0


def said(process: 'subprocess.Popen[str]', words: str) -> str:
    """Read what a process says until a line has these words; return the line."""
    assert process.stderr is not None
    for line in process.stderr:
        if words in line:
            return line
    raise AssertionError(f'the process ended and never said {words!r}')


def person(
    machine: 'Machine', seconds: float, *, asks: bool = True, **more: str
) -> 'subprocess.Popen[str]':
    """Have somebody look, send standstills, and ask for a release if he is to."""
    return subprocess.Popen(
        machine.command(sys.executable, '-c', PERSON, str(seconds), 'asks' if asks else ''),
        env=environment(**more),
        stdout=subprocess.PIPE,
        text=True,
    )


def outcome(process: 'subprocess.Popen[str]') -> dict[str, object]:
    """Return what somebody came to."""
    answer: dict[str, object] = json.loads(process.communicate(timeout=PATIENCE)[0])
    return answer


def test_by_default_nobody_but_this_machine(greenhouse: 'tuple[Machine, Machine]') -> None:
    """Not even with another program on the robot's computer that is open to the network."""
    robot, stranger = greenhouse
    with running(robot) as process:
        told = said(process, 'who can reach this robot')
        assert 'programs of this machine alone' in told
        assert '[INFO]' in told
        said(process, 'waiting for gait/stand')
        far = person(stranger, FRUITLESS, ROS_STATIC_PEERS='10.77.0.1')
        onlooker = person(robot, FRUITLESS, asks=False)
        assert outcome(far) == NOTHING
        assert outcome(onlooker).items() >= (EVERYTHING | {'released': False}).items()
        assert outcome(person(robot, PATIENCE)).items() >= EVERYTHING.items()


def test_on_a_network_that_was_named_everybody(greenhouse: 'tuple[Machine, Machine]') -> None:
    """Once it is there: the robot that was started before is found all the same, and says so."""
    robot, stranger = greenhouse
    robot.ip('link', 'set', 'garden0', 'down')
    with running(robot, '--network', 'garden0') as process:
        assert 'garden0 (10.77.0.1, no link)' in said(process, 'waiting for the network garden0')
        robot.ip('link', 'set', 'garden0', 'up')
        told = said(process, 'who can reach this robot')
        assert 'garden0 (10.77.0.1)' in told
        assert 'without a key' in told
        assert '[WARN]' in told
        said(process, 'waiting for gait/stand')
        assert outcome(person(stranger, PATIENCE)).items() >= EVERYTHING.items()
