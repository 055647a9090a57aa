# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Ten thousand ticks at 100 Hz, beside a node that does nothing but tick."""

import os
import re
import signal
import subprocess
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from time import CLOCK_MONOTONIC, CLOCK_REALTIME, clock_gettime
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pytest

from leg_kinematics.board import Record
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.taking_part.operator import Operator
from leg_kinematics.recording.walk import Walk, foot_errors

if TYPE_CHECKING:
    from test.chain.conftest import StartChain

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

#: Reads in the kernel's books how long the threads of some processes, and the workers of the kernel
#: that bring bytes through a pty, have waited for a processor so far. Threads and workers may end.
WAITS = """
import os, signal, sys, time
from pathlib import Path
# Whoever is started in the background of a script inherits that it is ignored.
signal.signal(signal.SIGINT, signal.default_int_handler)
signal.pthread_sigmask(signal.SIG_BLOCK, [signal.SIGINT])
def waited(book):
    return int(os.pread(book, 80, 0).split()[1]) / 1e9
def follow(task, column):
    book = os.open(task / 'schedstat', os.O_RDONLY)
    books[book] = column, waited(book)
books, seen, totals = {}, set(), [0.0] * len(sys.argv)
for column, process in enumerate(sys.argv[1:]):
    for task in Path(f'/proc/{process}/task').iterdir():
        follow(task, column)
print('ready', flush=True)
rows = []
while not signal.sigtimedwait([signal.SIGINT], 0.01):
    if len(rows) % 50 == 0:
        for process in set(Path('/proc').glob('[0-9]*')) - seen:
            seen.add(process)
            try:
                if (process / 'comm').read_text().startswith('kworker/u'):
                    follow(process, -1)
            except OSError:
                pass  # It has ended meanwhile.
    for book, (column, before) in list(books.items()):
        try:
            now = waited(book)
        except OSError:
            del books[book]  # It has ended, and waits no more.
        else:
            totals[column] += now - before
            books[book] = column, now
    rows.append((time.monotonic(), *totals))
for row in rows:
    print(*row)
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

#: How a node logs ticks that it missed: the instant in system time, and after what period.
MISSED = re.compile(r'\[DEBUG\] \[([\d.]+)\] .*: ticks missed: \d+, ([\d.]+) ms')

#: The machine explains lateness when whoever was late waited for a processor for most of it.
#: Where the whole machine stood still nobody waits: then the bare timer was late as well, at once.
WAITED = 0.5
BARE_LATE_MS = 1.2 * TICK_MS
AT_ONCE_S = TICK_MS / 1e3

#: Behind a pty a worker of the kernel brings the bytes, with the priority of anybody, so that those
#: of the bare timer come late as well. Poses may take this much of the time that those take.
AS_EVEN_AS = 1.3


def missed_ticks(operator: Operator) -> dict[str, int]:
    """Ticks that each node has missed by now."""
    operator.values.clear()
    operator.spin(lambda: {'gait', 'bridge'} <= operator.values.keys(), 'a status of both')
    return {node: int(operator.values[node]['missed_ticks']) for node in ('gait', 'bridge')}


class Late(NamedTuple):
    """A period that was too long: when it ended on the monotonic clock, and how long it was, s."""

    time: float
    period: float


def missed_by(log: Path) -> list[Late]:
    """Read when a node has missed ticks."""
    offset = clock_gettime(CLOCK_REALTIME) - clock_gettime(CLOCK_MONOTONIC)
    found = map(MISSED.search, log.read_text(encoding='utf-8').splitlines())
    return [Late(float(each[1]) - offset, float(each[2]) / 1e3) for each in found if each]


def unexplained(
    events: Iterable[Late], bare_late: np.ndarray, waits: np.ndarray, way: float = 0.0
) -> list[Late]:
    """Sort out what the load of the machine does not explain.

    ``bare_late`` are instants; ``waits`` as well, and how long those whom it takes had waited for
    a processor by then, s; who was late had been on its way for up to ``way``, s.
    """

    def waited(late: Late) -> float:
        before = np.searchsorted(waits[0], late.time - late.period - way) - 1
        return float(waits[1, np.searchsorted(waits[0], late.time)] - waits[1, before])

    return [
        each
        for each in events
        if waited(each) < WAITED * (each.period - TICK_MS / 1e3)
        and not (np.abs(bare_late - each.time) < AT_ONCE_S).any()
    ]


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
    """Interrupt it; give the numbers that it then says, such as instants, s."""
    process.send_signal(signal.SIGINT)
    output, _ = process.communicate()
    assert process.returncode == 0
    return np.array([float(number) for number in output.split()])


@pytest.mark.soak
@pytest.mark.timeout(300)
@pytest.mark.parametrize('priority', [0, PRIORITY], ids=['ordinary', 'realtime'])
def test_no_tick_is_missed_that_the_machine_does_not_explain(
    start_chain: 'StartChain',
    walk_of: Callable[[Operator, Sequence[Record]], Walk],
    capsys: pytest.CaptureFixture[str],
    priority: int,
) -> None:
    """No node misses more ticks than a bare timer, poses come as evenly as its bytes do.

    Each tick that was missed and each late pose has the load of the machine for its cause, no pose
    is missing and no frame refused. With a real-time priority hardly a tick is missed however busy
    the machine is; without one, this is for a machine that has nothing else to do.
    """
    if priority and not may_have(priority):
        pytest.skip(f'this user may not have real-time priority {priority}')
    scene = start_chain(priority=priority)
    chain, operator = scene.chain, scene.operator
    assert chain.mock is not None
    if priority:
        take(chain.mock.process.pid, priority + 1)
    operator.bring_up()
    operator.stand()
    before = missed_ticks(operator)
    watched = (chain.nodes['gait'], chain.nodes['bridge'], chain.mock.process)
    books, _ = start(WAITS, *(str(each.pid) for each in watched))
    line, port = start(BARE_LINE)
    bare, _ = start(BARE_TIMER, port)
    operator.drive(Twist(x=0.06, yaw=0.1), TICKS * TICK_MS / 1e3 + 1.0, 'walking')
    missed = {node: count - before[node] for node, count in missed_ticks(operator).items()}
    timer, arrivals, waits = stop(bare), stop(line), stop(books).reshape(-1, 5).T
    operator.drive(Twist(), 1.5, 'stopping')
    operator.wait_for('gait', 'standing')
    gait, bridge = operator.values['gait'], operator.values['bridge']

    records = scene.log.records()
    worst = foot_errors(walk_of(operator, records)).errors.max()
    poses = np.array([each.time for each in records if each.event == 'pose'])
    poses = poses[(poses > timer[0]) & (poses < timer[-1])]
    periods = {
        'bare timer': np.diff(timer) * 1e3,
        'its bytes at the end of a bare line': np.diff(arrivals) * 1e3,
        'poses at the board': np.diff(poses) * 1e3,
    }
    p99 = {name: np.percentile(values, 99) for name, values in periods.items()}
    explained = int((periods['bare timer'] > LATE_MS).sum())
    bare_late = timer[1:][periods['bare timer'] > BARE_LATE_MS]
    at_board = [Late(*each) for each in zip(poses[1:], np.diff(poses), strict=True)]
    late_poses = [each for each in at_board if each.period > LATE_MS / 1e3]
    ticks_unexplained = {
        node: unexplained(
            [each for each in missed_by(chain.log(node)) if timer[0] < each.time < timer[-1]],
            bare_late,
            waits[[0, column]],
        )
        for column, node in enumerate(('gait', 'bridge'), start=1)
    }
    poses_unexplained = unexplained(
        late_poses, bare_late, np.stack([waits[0], waits[2:].sum(0)]), way=TICK_MS / 1e3
    )
    with capsys.disabled():
        for name, values in periods.items():
            print(  # noqa: T201
                f'\n{name}: {len(values)} periods, p50 {np.median(values):.2f}, '
                f'p99 {p99[name]:.2f}, max {values.max():.2f} ms, '
                f'{(values > LATE_MS).sum()} above {LATE_MS:g} ms',
                end='',
            )
        print(f'\nticks missed while walking: {missed}')  # noqa: T201
        print(f'of those the machine does not explain: {ticks_unexplained}')  # noqa: T201
        print(f'{len(late_poses)} late poses, it does not explain: {poses_unexplained}')  # noqa: T201
        print(f'worst foot error {worst * 1e3:.3f} mm')  # noqa: T201
        print(f'gait: {gait}\nbridge: {bridge}')  # noqa: T201
    assert len(poses) >= TICKS
    assert bridge['main.refused'] == '0'
    assert max(missed.values()) <= explained
    assert not any(ticks_unexplained.values())
    assert not poses_unexplained
    if priority:
        assert max(missed.values()) <= MISSED_WITH_PRIORITY
        assert worst < WORST_FOOT_ERROR
    assert p99['poses at the board'] <= AS_EVEN_AS * p99['its bytes at the end of a bare line']
