# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a walk costs the processor, and how long a velocity takes to the servos.

Both for three processes and for one, each beside three nodes that only pass messages on, measured
in the same run. Nothing fails for being slow; the figures are printed, and hold for the machine
that they were taken on.
"""

import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from time import monotonic

import numpy as np
import pytest
import rclpy
import yaml
from rclpy.context import Context
from rclpy.executors import SingleThreadedExecutor
from trajectory_msgs.msg import JointTrajectory

from leg_kinematics.board import read_log
from leg_kinematics.chain.values import JointTargets
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.running.transport import prefer_sockets
from leg_kinematics.nodes.taking_part.chain_processes import Chain, MockProcess, end
from leg_kinematics.nodes.taking_part.operator import Operator
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.robot import load_robot
from leg_kinematics.solver import Trajectory

pytestmark = [pytest.mark.bench, pytest.mark.timeout(900)]

HERE = Path(__file__).parent
CONFIG = HERE.parents[1] / 'config'
ROBOT = CONFIG / 'robots' / 'bracken.yaml'
SERVO_MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'

LEG_KINEMATICS = (
    sys.executable,
    '-c',
    'from leg_kinematics.commands.main import main; main()',
)

MEASURED = 10.0  # s
COMMANDS = 40
PATIENCE = 60.0  # s

#: As fast as the parameters allow, so that the time to the first other pulse is that of the way
#: there and not of a body that has to gather speed.
BRISK = {'acceleration': 10.0, 'yaw_acceleration': 50.0}


@dataclass(frozen=True)
class Use:
    """What processes take.

    Attributes
    ----------
    processor
        Cores in use, user and system together.
    memory
        Resident bytes, shared pages counted in each process.

    """

    processor: float
    memory: int


def processor_time(pid: int) -> float:
    """Seconds that a process has used."""
    fields = Path(f'/proc/{pid}/stat').read_text(encoding='ascii').rpartition(')')[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf('SC_CLK_TCK')


def resident(pid: int) -> int:
    """Bytes of a process that are in memory."""
    pages = Path(f'/proc/{pid}/statm').read_text(encoding='ascii').split()[1]
    return int(pages) * os.sysconf('SC_PAGE_SIZE')


def use(pids: Sequence[int], work: Callable[[], None]) -> Use:
    """Measure what processes take while some work is done."""
    used, start = sum(map(processor_time, pids)), monotonic()
    work()
    share = (sum(map(processor_time, pids)) - used) / (monotonic() - start)
    return Use(share, sum(map(resident, pids)))


def use_of_relays(rate: float) -> Use:
    """Measure three nodes, each a process, that pass a stream of joint trajectories on."""
    prefer_sockets()
    context = Context()
    rclpy.init(context=context)
    node = rclpy.create_node('relay_ends', context=context)
    executor = SingleThreadedExecutor(context=context)
    executor.add_node(node)
    topics = ['relay_0', 'relay_1', 'relay_2', 'relay_3']
    joints = load_robot(ROBOT).joints
    row = tuple(0.1 for _ in joints)
    trajectory = Trajectory((0.0, 1.0 / rate, 7.0 / rate), (row,) * 3, (row,) * 3)
    stream = messages.joint_trajectory_message(joints, JointTargets(0, trajectory))
    heard: list[bytes] = []
    with ExitStack() as stack:
        stack.callback(rclpy.try_shutdown, context=context)
        stack.callback(node.destroy_node)
        stack.callback(executor.shutdown)
        processes = [
            subprocess.Popen([sys.executable, str(HERE / 'relay_node.py'), *ends], text=True)
            for ends in pairwise(topics)
        ]
        for process in processes:
            stack.callback(end, process)
        publisher = node.create_publisher(JointTrajectory, topics[0], qos.PUBLISHED)
        node.create_subscription(JointTrajectory, topics[-1], heard.append, qos.STREAM, raw=True)
        node.create_timer(1.0 / rate, lambda: publisher.publish(stream))

        def pass_on(seconds: float) -> None:
            count = len(heard) + seconds * rate
            deadline = monotonic() + PATIENCE
            while len(heard) < count:
                assert monotonic() < deadline, f'waited in vain for {count} relayed messages'
                executor.spin_once(timeout_sec=0.02)

        pass_on(1.0)
        return use([process.pid for process in processes], lambda: pass_on(MEASURED))


@dataclass(frozen=True)
class Running:
    """A chain whose robot stands.

    Attributes
    ----------
    pids
        Processes that make it, without the mock.
    pulse_log
        Everything that the mock was told.
    operator
        Who drives it.

    """

    pids: Sequence[int]
    pulse_log: Path
    operator: Operator


Arrangement = Callable[[Path, float], 'Iterator[Running]']


def three_processes(folder: Path, rate: float) -> Iterator[Running]:
    """Run each node as a process."""
    namespace = f'/three_{rate:.0f}'
    parameters = {
        'gait': {'rate': rate, **BRISK},
        'bridge': {'rate': rate, 'enable_interval': 0.02},
    }
    chain = Chain(ROBOT, SERVO_MAPS, namespace, folder, parameters=parameters)
    with chain, closing(Operator(namespace)) as operator:
        operator.bring_up()
        operator.stand()
        yield Running([node.pid for node in chain.nodes.values()], chain.pulse_log, operator)


def one_process(folder: Path, rate: float) -> Iterator[Running]:
    """Run the chain as `leg-kinematics run` does."""
    namespace = f'/one_{rate:.0f}'
    folder.mkdir(parents=True, exist_ok=True)
    link, log, parameters = folder / 'board', folder / 'pulses.jsonl', folder / 'nodes.yaml'
    nodes = {
        '/**/gait': {'ros__parameters': {'rate': rate, **BRISK}},
        '/**/bridge': {'ros__parameters': {'rate': rate, 'enable_interval': 0.02}},
    }
    parameters.write_text(yaml.safe_dump(nodes), encoding='utf-8')
    command = [*LEG_KINEMATICS, 'run']
    command += ['--robot', str(ROBOT), '--servo-maps', str(SERVO_MAPS)]
    command += ['--board', f'main=framed:{link}', '--params-file', str(parameters)]
    with ExitStack() as stack:
        stack.callback(MockProcess(link, log).end)
        output = stack.enter_context((folder / 'run.log').open('w', encoding='utf-8'))
        process = subprocess.Popen([*command, '--namespace', namespace], stderr=output, text=True)
        stack.callback(end, process)
        operator = stack.enter_context(closing(Operator(namespace)))
        operator.bring_up()
        operator.stand()
        yield Running([process.pid], log, operator)


ARRANGEMENTS: Mapping[str, Arrangement] = {
    'three processes': three_processes,
    'one process': one_process,
}


def use_of_walk(running: Running, *, watched: bool) -> Use:
    """Measure a walk straight on, with or without an onlooker on targets, odometry and state."""
    node = running.operator.node
    if not watched:
        for subscription in list(node.subscriptions):
            if subscription.topic_name.endswith(('/foot_targets', '/odom', '/bridge/state')):
                node.destroy_subscription(subscription)
    walk = Twist(x=0.08)
    running.operator.drive(walk, 2.0, 'setting off')
    return use(running.pids, lambda: running.operator.drive(walk, MEASURED, 'walking'))


def times_to_pulse(running: Running) -> list[float]:
    """Measure from a velocity sent to a robot that stands still to the first other pulse, s."""
    operator = running.operator

    def latest() -> list[Mapping[int, float]]:
        log = read_log(running.pulse_log)
        return [each.pulses_us for each in log if each.event == 'pose'][-20:]

    took = []
    for number in range(COMMANDS):
        operator.drive(Twist(), 0.5 + 0.0017 * number, 'standing')  # every part of a tick is met
        operator.wait_for('gait', 'standing')
        operator.spin(lambda: latest() == 20 * latest()[:1], 'a robot that stands still')
        (before, *_) = latest()
        sent = monotonic()
        operator.drive(Twist(x=0.05), 0.3, 'setting off')
        poses = (each for each in read_log(running.pulse_log) if each.event == 'pose')
        changed = (each for each in poses if each.time > sent and each.pulses_us != before)
        took.append(next(changed).time - sent)
    return took


@pytest.mark.parametrize('rate', [50.0, 100.0])
def test_cost_of_a_walk(rate: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Processor time and memory of the walking chain, as ratio to three relaying nodes."""
    first = use_of_relays(rate)
    uses = {}
    for name, arrangement in ARRANGEMENTS.items():
        with contextmanager(arrangement)(tmp_path / name, rate) as running:
            uses[f'{name}, watched'] = use_of_walk(running, watched=True)
            uses[name] = use_of_walk(running, watched=False)
    last = use_of_relays(rate)
    relays = Use((first.processor + last.processor) / 2.0, last.memory)
    with capsys.disabled():
        print(f'\nwalking at {rate:.0f} Hz:')
        for name, each in {'three relaying nodes': relays, **uses}.items():
            ratio = each.processor / relays.processor
            print(
                f'  {name:24s} {100.0 * each.processor:5.1f} % of a core, ratio {ratio:.2f}, '
                f'{each.memory / 1e6:.0f} MB'
            )
        spread = abs(first.processor - last.processor) / relays.processor
        print(f'  the relays before and after differ by {100.0 * spread:.0f} %')


@pytest.mark.parametrize('name', ARRANGEMENTS)
def test_time_from_velocity_to_pulse(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """From `cmd_vel` sent to the first pose at the board that moves a robot at rest, at 100 Hz."""
    with contextmanager(ARRANGEMENTS[name])(tmp_path, 100.0) as running:
        took = times_to_pulse(running)
    p50, p99 = np.percentile(took, [50, 99])
    with capsys.disabled():
        print(f'\nfrom cmd_vel to the first other pulse, {name}, 100 Hz:')
        print(f'  p50 {1e3 * p50:.1f} ms  p99 {1e3 * p99:.1f} ms  n {len(took)}')
