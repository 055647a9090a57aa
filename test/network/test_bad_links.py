# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A robot that is driven over a bad link: what it does, by what its board was told.

The robot and the laptop are machines of their own, with a link between them that loses, delays and
is cut. Either velocities cross it, or the gait and the kinematics are on the laptop and joint
trajectories cross it.
"""

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from itertools import pairwise
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from test.namespaces import Machine, Machines
    from test.network.shaper import Shaper, shaped
    from test.witness import PulseLog
else:
    from network.shaper import shaped

HERE = Path(__file__).parent

PATIENCE = 120.0

#: Pulses that do not change for so long are a hold, s; a walk changes some in every tick.
HOLD = 0.2

#: A link that only loses or delays is looked at for so long, s.
LOOK = 10.0

#: It walks within this time, s, however busy the machine is; how soon is told.
AGAIN = 60.0

#: Poses of the bridge, 1/s.
RATE = 100.0

#: Share that is lost, delay and jitter, s.
BAD: Mapping[str, tuple[float, float, float]] = {
    'clean': (0.0, 0.0, 0.0),
    '5 % lost': (0.05, 0.0, 0.0),
    '20 % lost': (0.2, 0.0, 0.0),
    '20 ± 10 ms': (0.0, 0.02, 0.01),
}

CUTS = (0.2, 1.0, 10.0, 60.0)

#: Which nodes are on the robot and on the laptop, and for how long the robot moves after a cut, s.
#: Velocities: 0.5 s until the gait takes it for silence, then it slows down and ends its step.
#: Trajectories: what the bridge has is 0.07 s of walking.
SPLITS: Mapping[str, tuple[list[str], list[str], float]] = {
    'velocities': (['kinematics', 'gait', 'bridge'], [], 4.0),
    'trajectories': (['bridge'], ['kinematics', 'gait'], 1.0),
}


class End:
    """One end of a campaign: a process on a machine that talks in lines."""

    def __init__(self, machine: 'Machine', script: str, *arguments: str) -> None:
        """Start it, reached from every network that its machine has."""
        environment = {k: v for k, v in os.environ.items() if 'FASTDDS' not in k}
        environment['PYTHONPATH'] = os.pathsep.join(
            [str(HERE.parents[1]), str(HERE.parent), environment.get('PYTHONPATH', '')]
        )
        self.process = subprocess.Popen(
            machine.command(sys.executable, str(HERE / script), *arguments),
            env=environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def expect(self, line: str) -> None:
        """Wait for a line."""
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == f'{line}\n'

    def end(self) -> str:
        """Have it end; return what it says last."""
        said, _ = self.process.communicate(timeout=PATIENCE)
        assert self.process.returncode == 0
        return said


@contextmanager
def ending(end: End) -> Iterator[End]:
    """Have an end until leaving, however that comes."""
    try:
        yield end
    finally:
        if end.process.poll() is None:
            end.process.terminate()
            end.process.communicate()


class Board:
    """What the board of a robot was told, as spells in which all pulses stay."""

    def __init__(self, log: 'PulseLog') -> None:
        """Read nothing yet."""
        self._log = log

    def changes(self, since: float) -> list[float]:
        """Give the times since then at which any pulse was another than before, s."""
        poses = self._log.poses(since)
        return [b.time for a, b in pairwise(poses) if a.pulses_us != b.pulses_us]

    def holds(self, since: float, until: float) -> list[float]:
        """Give how long each hold between two times was, s."""
        times = [since, *(each for each in self.changes(since) if each < until), until]
        return [b - a for a, b in pairwise(times) if b - a > HOLD]

    def walks(self, since: float) -> bool:
        """Whether it has walked for a second, and still does."""
        times = self.changes(since)
        return bool(times) and times[-1] - times[0] > 1.0 and monotonic() - times[-1] < HOLD


def wait(until: Callable[[], bool], patience: float, what: str) -> None:
    """Look until something holds; the mock's log is all there is to look at."""
    end = monotonic() + patience
    while not until():
        assert monotonic() < end, f'waited {patience:g} s in vain for {what}'
        pause(0.02)


def pause(seconds: float) -> None:
    """Let the campaign go on."""
    subprocess.run(['sleep', str(seconds)], check=True)


@pytest.fixture
def start(machines: 'Machines', tmp_path: Path) -> 'Iterator[tuple[Shaper, Callable[..., End]]]':
    """Lay a link between `robot` and `laptop`; start an end on either, of a namespace."""
    there = {'robot': machines.machine('robot'), 'laptop': machines.machine('laptop')}
    with ExitStack() as stack:
        link = stack.enter_context(shaped((there['robot'], 'radio0'), (there['laptop'], 'radio0')))
        there['robot'].address('radio0', '10.77.0.1/24')
        there['laptop'].address('radio0', '10.77.0.2/24')

        def begin(machine: str, script: str, namespace: str, *more: str) -> End:
            folder = tmp_path / script / namespace
            return stack.enter_context(
                ending(End(there[machine], f'{script}.py', f'/{namespace}', str(folder), *more))
            )

        yield link, begin


def judge(end: End) -> None:
    """Have a robot's end end: nothing was told to jump, and every process ended well."""
    verdict = json.loads(end.end())
    assert verdict['jump'] == ''
    assert set(verdict['exit_codes'].values()) == {0}


@pytest.mark.soak
@pytest.mark.parametrize('split', SPLITS)
def test_on_bad_links_it_walks_or_stands(
    split: str,
    start: 'tuple[Shaper, Callable[..., End]]',
    pulse_log: 'Callable[[Path], PulseLog]',
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Losses and delays do not stop it, a cut does; after that it walks on, and nothing jumps."""
    on_robot, on_laptop, still_within = SPLITS[split]
    link, begin = start

    def tell(row: str) -> None:
        with capsys.disabled():
            print(f'\n    {split}, {row}', end='', flush=True)  # noqa: T201

    robot = begin('robot', 'robot_end', 'bracken', *on_robot)
    robot.expect('there')
    driver = begin('laptop', 'laptop_end', 'bracken', '0.08', *on_laptop)
    driver.expect('standing')
    board = Board(pulse_log(tmp_path / 'robot_end' / 'bracken' / 'pulses.jsonl'))

    def see_walk(since: float) -> float:
        """Wait until it walks; return when it began to, s after then."""
        wait(lambda: board.walks(since), AGAIN, 'a walk')
        return board.changes(since)[0] - since

    see_walk(monotonic())
    for name, (loss, delay, jitter) in BAD.items():
        link.shape(loss=loss, delay=delay, jitter=jitter)
        since = monotonic()
        pause(LOOK)
        holds = board.holds(since, monotonic())
        tell(f'{name}: {len(holds)} holds of {[round(each, 2) for each in holds]} s')
        assert board.changes(since)
    link.shape()
    for seconds in CUTS:
        see_walk(monotonic())
        link.shape(cut=True)
        cut = monotonic()
        pause(seconds)
        mended = monotonic()
        link.shape()
        moves = [each - cut for each in board.changes(cut) if each < mended]
        again = see_walk(mended)
        tell(
            f'cut of {seconds:g} s: still after {max(moves, default=0.0):.2f} s, in which it moved '
            f'for {len(moves) / RATE:.2f} s; moves {again:.2f} s after it'
        )
        # A busy machine lets the robot pause on its way to rest: those do not count.
        assert len(moves) / RATE < still_within
    driver.end()
    judge(robot)


@pytest.mark.soak
def test_two_robots_on_a_bad_link(
    start: 'tuple[Shaper, Callable[..., End]]',
    pulse_log: 'Callable[[Path], PulseLog]',
    tmp_path: Path,
) -> None:
    """One walks by what the laptop says; the other, on the laptop's side, stands all the while."""
    link, begin = start
    nodes = ('kinematics', 'gait', 'bridge')
    robots = (
        begin('robot', 'robot_end', 'bracken', *nodes),
        begin('laptop', 'robot_end', 'heather', *nodes),
    )
    for each in robots:
        each.expect('there')
    drivers = (
        begin('laptop', 'laptop_end', 'bracken', '0.08'),
        begin('laptop', 'laptop_end', 'heather', '0'),
    )
    for each in drivers:
        each.expect('standing')
    walker, other = (
        pulse_log(tmp_path / 'robot_end' / name / 'pulses.jsonl') for name in ('bracken', 'heather')
    )
    link.shape(loss=0.2)
    begun = monotonic()
    wait(lambda: Board(walker).walks(begun), AGAIN, 'a walk')
    # The gait stands as soon as it has told the last of standing up, and the servos a little later.
    wait(lambda: not Board(other).changes(monotonic() - 1.0), AGAIN, 'a robot that stands')
    since = monotonic()
    pause(LOOK)
    assert Board(walker).changes(since)
    assert len({tuple(each.pulses_us.items()) for each in other.poses(since)}) == 1
    for each in drivers:
        each.end()
    for each in robots:
        judge(each)
