# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How long the way to the servos takes, beside nodes that only pass messages on.

Nothing fails for being slow; the times and their ratios are printed. They hold for the machine
that they were taken on, with whatever else it was doing.
"""

import itertools
import os
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path
from time import monotonic
from typing import Any

import numpy as np
import pytest
import rclpy
from builtin_interfaces.msg import Time
from rclpy.executors import SingleThreadedExecutor
from trajectory_msgs.msg import JointTrajectory

from leg_kinematics.board import frames, read_log
from leg_kinematics.board.serial_line import SerialLine
from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.commands.chain import Chain, MockProcess, end
from leg_kinematics.commands.operator import Operator
from leg_kinematics.gait import Twist
from leg_kinematics.nodes import messages, qos
from leg_kinematics.nodes.bridge_node import BridgeNode
from leg_kinematics.nodes.parameters import as_overrides
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver import Trajectory, leg_solvers, posture_angles

pytestmark = [pytest.mark.bench, pytest.mark.timeout(600)]

HERE = Path(__file__).parent
CONFIG = HERE.parents[1] / 'config'
ROBOT = CONFIG / 'robots' / 'bracken.yaml'
SERVO_MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'

MESSAGES = 1000
COMMANDS = 15
TICK = 0.01  # s
PATIENCE = 60.0  # s

#: Of one joint from message to message: one microsecond, and within one tick of the bridge, rad.
STEP = 1.0 / 636.62


def percentiles(seconds: Sequence[float]) -> tuple[float, float]:
    """Median and the 99th percentile, s."""
    p50, p99 = np.percentile(seconds, [50, 99])
    return float(p50), float(p99)


def tell(what: str, seconds: Sequence[float]) -> None:
    """Print what was measured."""
    p50, p99 = percentiles(seconds)
    print(f'  {what:58s} p50 {1e3 * p50:7.2f} ms  p99 {1e3 * p99:7.2f} ms  n {len(seconds)}')


@pytest.fixture(scope='module')
def robot() -> Robot:
    """Return the example robot."""
    return load_robot(ROBOT)


@pytest.fixture(scope='module')
def resting(robot: Robot) -> list[float]:
    """Return the joint angles of its resting posture, rad."""
    maps = load_servo_maps(SERVO_MAPS, robot)
    legs = leg_solvers(robot, {each.joint: each.angle_range for each in maps.maps})
    return [angle for leg in posture_angles(robot, legs, 'resting') for angle in leg]


@pytest.fixture(autouse=True)
def ros() -> Iterator[None]:
    """Start rclpy."""
    rclpy.init()
    yield
    rclpy.shutdown()


def spin_until(executor: SingleThreadedExecutor, condition: Any, what: str) -> None:  # noqa: ANN401
    """Spin until something has happened."""
    deadline = monotonic() + PATIENCE
    while not condition():
        assert monotonic() < deadline, f'waited in vain for {what}'
        executor.spin_once(timeout_sec=0.02)


def relayed(robot: Robot) -> list[float]:
    """Time on the way through three nodes that only pass messages on, each a process, s."""
    took: list[float] = []
    sent: dict[int, float] = {}
    executor = SingleThreadedExecutor()
    node = rclpy.create_node('relay_ends')
    executor.add_node(node)
    topics = ['relay_0', 'relay_1', 'relay_2', 'relay_3']
    with ExitStack() as stack:
        stack.callback(node.destroy_node)
        for source, target in itertools.pairwise(topics):
            process = subprocess.Popen(
                [sys.executable, str(HERE / 'relay_node.py'), source, target], text=True
            )
            stack.callback(end, process)
        publisher = node.create_publisher(JointTrajectory, topics[0], qos.PUBLISHED)

        def heard(message: JointTrajectory) -> None:
            number = message.header.stamp.nanosec
            if number in sent:
                took.append(monotonic() - sent[number])

        node.create_subscription(JointTrajectory, topics[-1], heard, qos.STREAM)
        row = tuple(0.1 for _ in robot.joints)
        preview = Trajectory((0.0, TICK, 7 * TICK), (row,) * 3, (row,) * 3)

        def send() -> None:
            number = len(sent) + 1
            message = messages.joint_trajectory_message(Time(nanosec=number), robot.joints, preview)
            sent[number] = monotonic()
            publisher.publish(message)

        timer = node.create_timer(TICK, send)
        spin_until(executor, lambda: len(took) > MESSAGES, 'relayed messages')
        timer.cancel()
    executor.shutdown()
    return took[10:]  # the first ones also found their way


class TimedBridge(BridgeNode):
    """Notes when a trajectory comes in and when a tick begins."""

    def __init__(self, *arguments: Any) -> None:  # noqa: ANN401
        """Begin with nothing."""
        self.received: list[float] = []
        self.ticked: list[float] = []
        super().__init__(*arguments)

    def _on_trajectory(self, message: JointTrajectory) -> None:
        self.received.append(monotonic())
        super()._on_trajectory(message)

    def _on_tick(self) -> None:
        self.ticked.append(monotonic())
        super()._on_tick()


def test_from_trajectory_to_line(
    robot: Robot,
    resting: list[float],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """From `joint_trajectory` in the bridge's hands to its bytes on the line."""
    written: list[tuple[float, float]] = []
    decoder = frames.FrameDecoder()
    write = SerialLine.write

    def note(line: SerialLine, data: bytes) -> None:
        now = monotonic()
        found = (each.message for each in decoder.feed(data) if isinstance(each, frames.Frame))
        written.extend((now, m.pulses_us[0]) for m in found if isinstance(m, frames.Pose))
        write(line, data)

    monkeypatch.setattr(SerialLine, 'write', note)
    executor = SingleThreadedExecutor()
    with ExitStack() as stack:
        mock = MockProcess(tmp_path / 'port', tmp_path / 'pulses.jsonl')
        stack.callback(mock.end)
        bridge = TimedBridge(
            as_overrides(
                {
                    'robot': str(ROBOT),
                    'servo_maps': str(SERVO_MAPS),
                    'boards': [f'main=framed:{tmp_path / "port"}'],
                    'enable_interval': 0.0,
                    'autostart': True,
                }
            )
        )
        stack.callback(bridge.destroy_node)
        node = rclpy.create_node('sender')
        stack.callback(node.destroy_node)
        executor.add_node(bridge)
        executor.add_node(node)
        publisher = node.create_publisher(JointTrajectory, 'joint_trajectory', qos.PUBLISHED)
        sent = itertools.count()

        def send() -> None:
            # There and back, a step every message, within a range of 100 steps.
            place = abs((next(sent) + 100) % 200 - 100)
            row = (resting[0] + STEP * place, *resting[1:])
            still = (0.0,) * len(row)
            message = messages.joint_trajectory_message(
                Time(), robot.joints, Trajectory((0.0,), (row,), (still,))
            )
            publisher.publish(message)

        timer = node.create_timer(1.13 * TICK, send)  # meets every phase of the bridge's tick
        spin_until(executor, lambda: len(bridge.received) > MESSAGES + 200, 'trajectories')
        timer.cancel()
        executor.shutdown()
    changes = [after[0] for before, after in itertools.pairwise(written) if after[1] != before[1]][
        100:
    ]
    received = np.array(bridge.received)
    # A change on the line is that of the latest message before its tick.
    ticked = np.array(bridge.ticked)
    begun = ticked[np.searchsorted(ticked, changes) - 1]
    of_message = received[np.searchsorted(received, begun) - 1]
    to_line = list(np.array(changes) - of_message)
    from_tick = list(np.array(changes) - begun)
    relay = relayed(robot)
    with capsys.disabled():
        print('\nfrom joint_trajectory to the line, 100 Hz:')
        tell('trajectory received to bytes written, a tick in between', to_line)
        tell('of this, from the tick to bytes written', from_tick)
        tell('three relaying nodes, for comparison', relay)
        (p50, p99), (relay_p50, relay_p99) = percentiles(to_line), percentiles(relay)
        print(f'  ratio to the relays: p50 {p50 / relay_p50:.2f}, p99 {p99 / relay_p99:.2f}')
    assert len(to_line) > MESSAGES / 2


def processor_time(pid: int) -> float:
    """Seconds that a process has used."""
    fields = Path(f'/proc/{pid}/stat').read_text(encoding='ascii').rpartition(')')[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf('SC_CLK_TCK')


@contextmanager
def standing(rate: float, folder: Path) -> Iterator[tuple[Chain, Operator]]:
    """Run a chain whose bridge has a rate, with the robot standing."""
    namespace = f'/greenhouse_{rate:.0f}'
    chain = Chain(
        ROBOT,
        SERVO_MAPS,
        namespace,
        folder,
        parameters={'bridge': {'rate': rate, 'enable_interval': 0.02}},
    )
    with chain, closing(Operator(namespace)) as operator:
        operator.bring_up()
        operator.stand()
        yield chain, operator


def first_change(chain: Chain, operator: Operator) -> float:
    """Send a velocity to a robot that stands still; return the time to the first other pulse, s."""

    def latest() -> list[Mapping[int, float]]:
        log = read_log(chain.pulse_log)
        return [each.pulses_us for each in log if each.event == 'pose'][-20:]

    operator.spin(lambda: latest() == 20 * latest()[:1], 'a robot that stands still')
    (before, *_) = latest()
    sent = monotonic()
    operator.drive(Twist(x=0.08), 0.3, 'setting off')
    poses = [each for each in read_log(chain.pulse_log) if each.event == 'pose']
    return next(each.time - sent for each in poses if each.time > sent and each.pulses_us != before)


def test_from_velocity_to_pulse(
    robot: Robot, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """From `cmd_vel` sent to the first other pulse at the board of a robot that stood still.

    Among it are the seven ticks that the gait runs ahead, and what the body takes at its
    acceleration to move a servo by half a microsecond.
    """
    took = []
    with standing(100.0, tmp_path) as (chain, operator):
        for number in range(COMMANDS):
            took.append(first_change(chain, operator))
            operator.drive(Twist(), 0.1, 'stopping')
            operator.wait_for('gait', 'standing')
            # Not always for the same part of a tick.
            operator.drive(Twist(), 0.2 + 0.0017 * number, 'standing')
    relay = relayed(robot)
    with capsys.disabled():
        print('\nfrom cmd_vel to the first other pulse:')
        tell('cmd_vel sent to pulse at the board', took)
        print(f'  of this the gait runs ahead by {7e3 * TICK:.0f} ms')
        tell('three relaying nodes, for comparison', relay)
        (p50, p99), (relay_p50, relay_p99) = percentiles(took), percentiles(relay)
        print(f'  ratio to the relays: p50 {p50 / relay_p50:.1f}, p99 {p99 / relay_p99:.1f}')


def test_processor_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Share of one core that the bridge takes while the robot walks."""
    shares = {}
    for rate in (50.0, 100.0):
        with standing(rate, tmp_path) as (chain, operator):
            operator.drive(Twist(x=0.08), 1.0, 'setting off')
            pid = chain.nodes['bridge'].pid
            used, start = processor_time(pid), monotonic()
            operator.drive(Twist(x=0.08), 8.0, 'walking')
            shares[rate] = (processor_time(pid) - used) / (monotonic() - start)
    with capsys.disabled():
        print('\nprocessor use of the bridge while walking, share of one core:')
        for rate, share in shares.items():
            print(f'  {rate:.0f} Hz: {100.0 * share:.1f} %')
