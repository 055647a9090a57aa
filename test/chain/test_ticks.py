# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Ten thousand ticks at 100 Hz, beside a node that does nothing but tick."""

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from leg_kinematics.board import Record, read_log
from leg_kinematics.commands.chain import Chain
from leg_kinematics.commands.operator import Operator
from leg_kinematics.commands.run_report import Walk, foot_errors
from leg_kinematics.gait import Twist

#: Sends as many bytes as a pose has, at every tick, down a line that nobody else uses.
BARE_TIMER = """
import os, sys, time
import rclpy
from rclpy.executors import ExternalShutdownException, SingleThreadedExecutor
line = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
rclpy.init()
node = rclpy.create_node('bare_timer')
times = []
def tick():
    times.append(time.monotonic())
    os.write(line, bytes(42))
node.create_timer(0.01, tick)
executor = SingleThreadedExecutor()
executor.add_node(node)
print('ready', flush=True)
try:
    executor.spin()
except (KeyboardInterrupt, ExternalShutdownException):
    print(*times)
"""

#: Notes when they arrive.
BARE_LINE = """
import os, pty, signal, time, tty
# Whoever is started in the background of a script inherits that it is ignored.
signal.signal(signal.SIGINT, signal.default_int_handler)
ours, theirs = pty.openpty()
tty.setraw(theirs)
print(os.ttyname(theirs), flush=True)
times = []
try:
    while True:
        os.read(ours, 4096)
        times.append(time.monotonic())
except KeyboardInterrupt:
    print(*times)
"""

TICKS = 10_000
TICK_MS = 10.0

#: A period this much longer than the tick is a tick that was missed, by a node or at the board.
LATE_MS = 1.5 * TICK_MS

#: Real-time priority of the nodes. The mock is before them: no real board waits for a processor.
PRIORITY = 20

#: Ticks that a node with a real-time priority may miss, however busy the machine is.
MISSED_WITH_PRIORITY = TICKS // 1000

#: Between what the board is told and the target of the gait, m.
WORST_FOOT_ERROR = 0.5e-3

#: The machine explains a late pose when the bare timer was late as well, by this much, around it.
BARE_LATE_MS = 1.2 * TICK_MS
AROUND_S = 0.1

#: Behind a pty a worker of the kernel brings the bytes, with the priority of anybody, so that those
#: of the bare timer come late as well. Poses may take this much of the time that those take.
AS_EVEN_AS = 1.3


def missed_ticks(operator: Operator) -> dict[str, int]:
    """Ticks that each node has missed by now."""
    operator.values.clear()
    operator.spin(lambda: {'gait', 'bridge'} <= operator.values.keys(), 'a status of both')
    return {node: int(operator.values[node]['missed_ticks']) for node in ('gait', 'bridge')}


def take(pid: int, priority: int) -> None:
    """Give the first thread of a process a real-time priority."""
    os.sched_setscheduler(pid, os.SCHED_FIFO, os.sched_param(priority))


def may_have(priority: int) -> bool:
    """Whether this user may give that to a process."""
    with subprocess.Popen(['cat'], stdin=subprocess.PIPE) as process:
        try:
            take(process.pid, priority)
        except PermissionError:
            return False
        finally:
            process.communicate()
    return True


def start(script: str, *arguments: str) -> 'tuple[subprocess.Popen[str], str]':
    """Start a process; give it and the line that it says when it is ready."""
    process = subprocess.Popen(
        [sys.executable, '-c', script, *arguments], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    return process, process.stdout.readline().strip()


def stop(process: 'subprocess.Popen[str]') -> np.ndarray:
    """Interrupt it; give the instants that it then says, s."""
    process.send_signal(signal.SIGINT)
    output, _ = process.communicate()
    assert process.returncode == 0
    return np.array([float(time) for time in output.split()])


@pytest.mark.soak
@pytest.mark.timeout(300)
@pytest.mark.parametrize('priority', [0, PRIORITY], ids=['ordinary', 'realtime'])
def test_no_tick_is_missed_that_the_machine_does_not_explain(
    start_chain: Callable[..., tuple[Chain, Operator]],
    walk_of: Callable[[Operator, Sequence[Record]], Walk],
    capsys: pytest.CaptureFixture[str],
    priority: int,
) -> None:
    """No node misses more ticks than a bare timer, poses come as evenly as its bytes do.

    No pose is missing and no frame refused. With a real-time priority hardly a tick is missed
    however busy the machine is; without one, this is for a machine that has nothing else to do.
    """
    if priority and not may_have(priority):
        pytest.skip(f'this user may not have real-time priority {priority}')
    chain, operator = start_chain(priority=priority)
    if priority:
        assert chain.mock is not None
        take(chain.mock.process.pid, priority + 1)
    operator.bring_up()
    operator.stand()
    line, port = start(BARE_LINE)
    bare, _ = start(BARE_TIMER, port)
    before = missed_ticks(operator)
    operator.drive(Twist(x=0.06, yaw=0.1), TICKS * TICK_MS / 1e3 + 1.0, 'walking')
    missed = {node: count - before[node] for node, count in missed_ticks(operator).items()}
    timer, arrivals = stop(bare), stop(line)
    operator.drive(Twist(), 1.5, 'stopping')
    operator.wait_for('gait', 'standing')
    gait, bridge = operator.values['gait'], operator.values['bridge']

    records = read_log(chain.pulse_log)
    worst = foot_errors(walk_of(operator, records)).errors.max()
    poses = np.array([each.time for each in records if each.event == 'pose'])
    poses = poses[(poses > timer[0]) & (poses < timer[-1])]
    periods = {
        'bare timer': np.diff(timer) * 1e3,
        'its bytes at the end of a bare line': np.diff(arrivals) * 1e3,
        'poses at the board': np.diff(poses) * 1e3,
    }
    p99 = {name: np.percentile(values, 99) for name, values in periods.items()}
    bare_late = timer[1:][periods['bare timer'] > BARE_LATE_MS]
    late = poses[1:][periods['poses at the board'] > LATE_MS]
    unexplained = [time for time in late if not (np.abs(bare_late - time) < AROUND_S).any()]
    explained = int((periods['bare timer'] > LATE_MS).sum())
    with capsys.disabled():
        for name, values in periods.items():
            print(  # noqa: T201
                f'\n{name}: {len(values)} periods, p50 {np.median(values):.2f}, '
                f'p99 {p99[name]:.2f}, max {values.max():.2f} ms, '
                f'{(values > LATE_MS).sum()} above {LATE_MS:g} ms',
                end='',
            )
        print(f'\nticks missed while walking: {missed}')  # noqa: T201
        print(f'late poses that the bare timer does not explain: {len(unexplained)}')  # noqa: T201
        print(f'worst foot error {worst * 1e3:.3f} mm')  # noqa: T201
        print(f'gait: {gait}\nbridge: {bridge}')  # noqa: T201
    assert len(poses) >= TICKS
    assert bridge['main.refused'] == '0'
    assert max(missed.values()) <= explained
    if priority:
        assert max(missed.values()) <= MISSED_WITH_PRIORITY
        assert worst < WORST_FOOT_ERROR
    assert p99['poses at the board'] <= AS_EVEN_AS * p99['its bytes at the end of a bare line']
    assert not unexplained
