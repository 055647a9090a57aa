# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`record` and `recover` as somebody types them, beside somebody who sends."""

import json
import os
import random
import re
import resource
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import pytest
import rclpy
from geometry_msgs.msg import TwistStamped
from rclpy.serialization import deserialize_message
from rosbags.highlevel import AnyReader
from std_msgs.msg import Float64MultiArray, String

from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import RobotReport
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.taking_part.operator import READY, Operator
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.recording.bag.reader import read_whole
from leg_kinematics.recording.bag.recovery import recover

if TYPE_CHECKING:
    from test.published_format import information_of
else:
    from published_format import information_of

COMMAND = [
    sys.executable,
    '-c',
    'from leg_kinematics.commands.main import main; main(prog_name="leg-kinematics")',
]

PATIENCE = 40.0

RATE = 200.0

#: A process that is killed has lost no more than that, s.
LOST_AT_MOST = 0.15


class Sender:
    """Sends numbered velocities, and reports of a bridge, in a context of its own."""

    def __init__(self, namespace: str) -> None:
        """Be there."""
        self.namespace = namespace
        self.context = rclpy.Context()
        rclpy.init(context=self.context)
        self.node = rclpy.create_node('sender', namespace=namespace, context=self.context)
        self.executor = rclpy.executors.SingleThreadedExecutor(context=self.context)
        self.executor.add_node(self.node)
        self.velocities = self.node.create_publisher(TwistStamped, 'cmd_vel', qos.PUBLISHED)
        self.reports = self.node.create_publisher(Float64MultiArray, 'bridge/state', qos.PUBLISHED)
        self.description = self.node.create_publisher(String, 'robot_description', qos.DESCRIPTION)
        self.description.publish(String(data='<robot name="bracken"/>'))
        self.report = RobotReport(PowerState.FOLLOWING, 1, 0, None, 0.0)
        self.sent = 0
        self.node.create_timer(1.0 / RATE, self._send)

    def _send(self) -> None:
        if self.velocities.get_subscription_count() and self.reports.get_subscription_count():
            self.sent += 1
            message = TwistStamped()
            message.header.stamp = self.node.get_clock().now().to_msg()
            message.twist.linear.x = float(self.sent)
            self.velocities.publish(message)
            self.reports.publish(messages.report_message(self.report))

    def send(self, count: int) -> None:
        """Send so many more, once somebody listens."""
        until, end = self.sent + count, monotonic() + PATIENCE
        while self.sent < until:
            assert monotonic() < end, 'nobody listens'
            self.executor.spin_once(timeout_sec=0.1)

    def close(self) -> None:
        """Leave."""
        self.executor.shutdown()
        self.node.destroy_node()
        rclpy.try_shutdown(context=self.context)


#: A new one every time: a process that was killed is remembered by the graph for a while.
_namespaces = (f'/greenhouse_{number}' for number in count())


@contextmanager
def new_sender() -> Iterator[Sender]:
    """Give somebody who sends."""
    sender = Sender(next(_namespaces))
    try:
        yield sender
    finally:
        sender.close()


@pytest.fixture
def sender() -> Iterator[Sender]:
    """Return somebody who sends."""
    with new_sender() as sender:
        yield sender


@contextmanager
def recording(
    sender: Sender, folder: Path, *options: str, largest_file: int | None = None
) -> 'Iterator[subprocess.Popen[str]]':
    """Record what is sent; `largest_file` is where its disk is full, bytes (setrlimit(2))."""

    def limit() -> None:
        if largest_file is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (largest_file, largest_file))

    process = subprocess.Popen(
        [*COMMAND, 'record', '--output', str(folder), '--namespace', sender.namespace, *options],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=limit,  # noqa: PLW1509  nothing but a system call
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def numbers_in(read: list[tuple[str, bytes]]) -> list[int]:
    """Give the numbers of the velocities."""
    return [
        int(deserialize_message(data, TwistStamped).twist.linear.x)
        for topic, data in read
        if topic.endswith('cmd_vel')
    ]


def test_what_is_sent_is_recorded(sender: Sender, tmp_path: Path) -> None:
    """All of it, of two topics and what was said before; others read it, and the result says so."""
    with recording(sender, tmp_path, '--json') as process:
        sender.send(120)
        process.send_signal(signal.SIGINT)
        told, warned = process.communicate(timeout=PATIENCE)
    assert process.returncode == 0, warned
    result = json.loads(told)
    (folder,) = result['recordings']
    with AnyReader([Path(folder)]) as reader:
        read = [(c.topic, bytes(data)) for c, _, data in reader.messages()]
    numbers = numbers_in(read)
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    assert result['topics'][f'{sender.namespace}/cmd_vel'] == {'messages': len(numbers), 'lost': 0}
    # The last ones may have been on their way when it was ended.
    assert len(numbers) > 80
    assert [topic for topic, _ in read].count(f'{sender.namespace}/robot_description') == 1
    told_of = {
        each['topic_metadata']['name']: each['topic_metadata']['offered_qos_profiles'][0]
        for each in information_of(Path(folder))['topics_with_message_count']
    }
    assert told_of[f'{sender.namespace}/cmd_vel']['durability'] == 'volatile'
    assert told_of[f'{sender.namespace}/robot_description']['durability'] == 'transient_local'


def kill_at(folder: Path, after: int) -> tuple[int, int]:
    """Kill a recording after so many messages; return what was sent, and the last that is kept."""
    with new_sender() as sender, recording(sender, folder) as process:
        sender.send(after)
        process.kill()
        sent = sender.sent
    (bag,) = folder.iterdir()
    found = recover(bag, folder / 'mended')
    assert found.only_the_end
    read = [(each.topic, each.data) for each in read_whole(found.folder)[1]]
    numbers = numbers_in(read)
    assert numbers == list(range(numbers[0], numbers[-1] + 1))
    return sent, numbers[-1]


def test_a_recording_that_is_killed_is_whole_to_the_last_flush(tmp_path: Path) -> None:
    """No message is missing in what is left."""
    kill_at(tmp_path, 90)


@pytest.mark.soak
def test_a_recording_that_is_killed_40_times_loses_little(tmp_path: Path) -> None:
    """At random instants."""
    chances = random.Random()
    lost = []
    for number in range(40):
        folder = tmp_path / str(number)
        folder.mkdir()
        sent, kept = kill_at(folder, chances.randint(60, 600))
        lost.append((sent - kept) / RATE)
    print(f'lost: median {sorted(lost)[20]:.3f} s, worst {max(lost):.3f} s')  # noqa: T201
    assert max(lost) <= LOST_AT_MOST


@pytest.mark.soak
def test_a_minute_of_a_walk_is_recorded_without_loss(tmp_path: Path) -> None:
    """All topics of a chain at 100 Hz; what it costs is told by the books of the kernel."""
    namespace = next(_namespaces)
    chain = subprocess.Popen([*COMMAND, 'run', '--enable', '--namespace', namespace])
    operator = Operator(namespace)
    try:
        operator.wait_for_graph()
        operator.wait_for('gait', READY)
        operator.stand()
        process = subprocess.Popen(
            [*COMMAND, 'record', '--output', str(tmp_path), '--namespace', namespace, '--json'],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            text=True,
        )
        operator.drive(Twist(x=0.06), 60.0, 'walking')
        share = processor_time(process.pid) / 60.0
        process.send_signal(signal.SIGINT)
        told, _ = process.communicate(timeout=PATIENCE)
    finally:
        operator.close()
        chain.send_signal(signal.SIGINT)
        chain.wait(PATIENCE)
    topics = json.loads(told)['topics']
    assert {topic: each['lost'] for topic, each in topics.items()} == dict.fromkeys(topics, 0)
    targets = topics[f'{namespace}/foot_targets']['messages']
    # It has to be found first, which takes some seconds on a busy machine.
    assert targets > 5000
    print(f'{targets} foot targets of a minute, {share:.1%} of a processor')  # noqa: T201


def processor_time(pid: int) -> float:
    """Give what a process has taken of the processors, s (proc_pid_stat(5))."""
    fields = Path(f'/proc/{pid}/stat').read_text(encoding='utf-8').rpartition(')')[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf('SC_CLK_TCK')


def test_a_full_disk_ends_the_recording_and_says_so(sender: Sender, tmp_path: Path) -> None:
    """By a limit of the system; what fitted is kept, and who sends does not notice."""
    with recording(sender, tmp_path, '--json', largest_file=20_000) as process:
        while process.poll() is None:
            sender.executor.spin_once(timeout_sec=0.1)
        told, warned = process.communicate(timeout=PATIENCE)
    assert process.returncode == 1
    result = json.loads(told)
    assert result['disk_full']
    assert result['recordings'] == []
    words = ' '.join(warned.split())
    match = re.search(r'last (\d+) messages; make room, then run: leg-kinematics recover', words)
    assert match is not None, words
    assert result['messages_not_written'] >= int(match[1]) > 0
    (bag,) = tmp_path.iterdir()
    found = recover(bag, tmp_path / 'mended')
    numbers = numbers_in([(m.topic, m.data) for m in read_whole(found.folder)[1]])
    assert numbers == list(range(numbers[0], numbers[-1] + 1))


def test_the_last_seconds_before_a_release_are_kept(sender: Sender, tmp_path: Path) -> None:
    """Without anybody having pressed a key, and with the description that was sent before."""
    with recording(sender, tmp_path, '--last', '1') as process:
        sender.send(250)
        released_at = sender.sent
        sender.report = RobotReport(PowerState.RELEASED, 1, 1, None, 0.0)
        while not list(tmp_path.glob('*/metadata.yaml')):
            sender.executor.spin_once(timeout_sec=0.1)
        process.send_signal(signal.SIGINT)
        told, warned = process.communicate(timeout=PATIENCE)
    assert process.returncode == 0, warned
    assert 'the robot was released' in ' '.join(warned.split())
    reader, read = read_whole(Path(told.strip()))
    numbers = numbers_in([(each.topic, each.data) for each in read])
    assert numbers[0] <= released_at + 1 < numbers[-1]
    assert f'{sender.namespace}/robot_description' in reader.channels
    ends = [each.received for each in read if each.topic.endswith('cmd_vel')]
    # One second before it, and one after it.
    assert ends[-1] - ends[0] <= 2_000_000_000


def test_recover_says_what_was_kept(tmp_path: Path) -> None:
    """And with which exit code it ends where nothing is."""
    (tmp_path / 'nothing.mcap').touch()
    ended = subprocess.run(
        [*COMMAND, 'recover', str(tmp_path / 'nothing.mcap')],
        capture_output=True,
        text=True,
        timeout=PATIENCE,
        check=False,
    )
    assert ended.returncode == 2
    assert 'nothing in' in ended.stderr


@pytest.mark.parametrize('command', ['record', 'recover', 'inspect', 'replay'])
def test_without_the_extra_it_is_named(command: str, tmp_path: Path) -> None:
    """A message instead of a traceback, exit code 2."""
    script = (
        'import sys\n'
        'sys.modules["mcap.writer"] = sys.modules["zstandard"] = None\n'
        'from leg_kinematics.commands.main import main\n'
        'main()\n'
    )
    arguments = [] if command == 'record' else [str(tmp_path)]
    ended = subprocess.run(
        [sys.executable, '-c', script, command, *arguments],
        capture_output=True,
        text=True,
        timeout=PATIENCE,
        check=False,
    )
    assert ended.returncode == 2
    assert "pip install 'leg_kinematics[bag]'" in ended.stderr
    assert 'Traceback' not in ended.stderr
