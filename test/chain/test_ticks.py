# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Ten thousand ticks at 100 Hz, beside a node that does nothing but tick."""

import os
import subprocess
import sys
from collections.abc import Callable, Sequence

import numpy as np
import pytest

from leg_kinematics.board import Record, read_log
from leg_kinematics.commands.chain import Chain, end
from leg_kinematics.commands.operator import Operator
from leg_kinematics.commands.run_report import Walk, foot_errors
from leg_kinematics.gait import Twist

BARE_TIMER = """
import sys, time
import rclpy
from rclpy.executors import ExternalShutdownException, SingleThreadedExecutor
rclpy.init()
node = rclpy.create_node('bare_timer')
times = []
print('ready', flush=True)
node.create_timer(0.01, lambda: times.append(time.monotonic()))
executor = SingleThreadedExecutor()
executor.add_node(node)
try:
    executor.spin()
except (KeyboardInterrupt, ExternalShutdownException):
    print(*times)
"""

TICKS = 10_000
TICK_MS = 10.0

#: A period this much longer than the tick is a tick that was missed, by a node or at the board.
LATE_MS = 1.5 * TICK_MS

#: The machine explains it when the bare timer was late as well, by this much, around that time.
BARE_LATE_MS = 1.2 * TICK_MS
AROUND_S = 0.1

#: Real-time priority of the nodes. The mock is before them: no real board waits for a processor.
PRIORITY = 20


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


@pytest.mark.soak
@pytest.mark.timeout(300)
@pytest.mark.parametrize('priority', [0, PRIORITY], ids=['ordinary', 'realtime'])
def test_no_tick_is_missed_that_the_machine_does_not_explain(
    start_chain: Callable[..., tuple[Chain, Operator]],
    walk_of: Callable[[Operator, Sequence[Record]], Walk],
    capsys: pytest.CaptureFixture[str],
    priority: int,
) -> None:
    """No node misses a tick, poses come as evenly as a bare timer fires, no frame is refused.

    With a real-time priority also on a machine that is busy. Without one for a machine that has
    nothing else to do: one that is busy holds up now this process, now that.
    """
    if priority and not may_have(priority):
        pytest.skip(f'this user may not have real-time priority {priority}')
    chain, operator = start_chain(priority=priority)
    if priority:
        assert chain.mock is not None
        take(chain.mock.process.pid, priority + 1)
    operator.bring_up()
    operator.stand()
    before = missed_ticks(operator)
    bare = subprocess.Popen([sys.executable, '-c', BARE_TIMER], stdout=subprocess.PIPE, text=True)
    assert bare.stdout is not None
    assert bare.stdout.readline() == 'ready\n'
    operator.drive(Twist(x=0.06, yaw=0.1), TICKS * TICK_MS / 1e3 + 1.0, 'walking')
    bare.send_signal(2)
    output, _ = bare.communicate()
    missed = {node: count - before[node] for node, count in missed_ticks(operator).items()}
    operator.drive(Twist(), 1.5, 'stopping')
    operator.wait_for('gait', 'standing')
    gait, bridge = operator.values['gait'], operator.values['bridge']
    assert end(bare) == 0

    timer = np.array([float(time) for time in output.split()])
    records = read_log(chain.pulse_log)
    worst = foot_errors(walk_of(operator, records)).errors.max()
    poses = np.array([each.time for each in records if each.event == 'pose'])
    poses = poses[(poses > timer[0]) & (poses < timer[-1])]
    bare_late = timer[1:][np.diff(timer) * 1e3 > BARE_LATE_MS]
    late = poses[1:][np.diff(poses) * 1e3 > LATE_MS]
    unexplained = [time for time in late if not (np.abs(bare_late - time) < AROUND_S).any()]
    with capsys.disabled():
        for name, times in (('bare timer', timer), ('poses at the board', poses)):
            values = np.diff(times) * 1e3
            p50, p99 = np.percentile(values, [50, 99])
            print(  # noqa: T201
                f'\n{name}: {len(values)} periods, p50 {p50:.2f}, p99 {p99:.2f}, '
                f'max {values.max():.2f} ms, {(values > LATE_MS).sum()} above {LATE_MS:g} ms'
            )
        print(f'ticks missed while walking: {missed}')  # noqa: T201
        print(f'late poses that the bare timer does not explain: {len(unexplained)}')  # noqa: T201
        print(f'worst foot error {worst * 1e3:.3f} mm')  # noqa: T201
        print(f'gait: {gait}\nbridge: {bridge}')  # noqa: T201
    assert len(poses) >= TICKS
    assert bridge['main.refused'] == '0'
    assert max(missed.values()) <= (np.diff(timer) * 1e3 > LATE_MS).sum()
    assert not unexplained
