# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A robot that is driven through the link over a bad network, and a fleet of them; in `make soak`.

Robot and laptop are machines of their own. What is judged is when the hand held and when the robot
was to move, by the steady clock that all processes of this machine share.
"""

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from queue import Empty, SimpleQueue
from statistics import quantiles
from threading import Thread
from time import monotonic, sleep
from typing import TYPE_CHECKING, Any

import pytest

from leg_kinematics.remote.holding import LASTS

if TYPE_CHECKING:
    from test.fleet import Fleet, free_address
    from test.namespaces import Machines
    from test.network.shaper import Shaper, shaped
else:
    from fleet import Fleet, free_address
    from network.shaper import shaped

ENDS = Path(__file__).with_name('ends.py')

PATIENCE = 60.0

#: Looked at on each bad link for so long, s.
LOOK = 15.0

#: A busy machine looks at its words late; the bound itself is judged in simulated time, s.
LATE = 0.2

BAD: Mapping[str, dict[str, Any]] = {
    'clean': {},
    '5 % lost': {'loss': 0.05},
    '20 % lost': {'loss': 0.2},
    '20 ± 10 ms': {'delay': 0.02, 'jitter': 0.01},
}

CUTS = (0.2, 1.0, 10.0, 60.0)

ADDRESSES = '10.78.0.1', '10.78.0.2'


class End:
    """A process at an end of the link.

    Attributes
    ----------
    said
        All that it said, with the instants.

    """

    def __init__(self, command: list[str]) -> None:
        """Start it."""
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self._lines: SimpleQueue[list[Any]] = SimpleQueue()
        self.said: list[list[Any]] = []
        self._reader = Thread(
            target=self._read,
        )
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._lines.put(json.loads(line))

    def tell(self, line: str) -> float:
        """Tell it something; give when."""
        assert self.process.stdin is not None
        self.process.stdin.write(f'{line}\n')
        self.process.stdin.flush()
        return monotonic()

    def hear(self, about: str, *values: object, since: float = 0.0) -> float:
        """Wait until it says something of that; give when it did."""
        end = monotonic() + PATIENCE
        while True:
            for line in self.said:
                if line[0] >= since and line[1] == about and line[2 : 2 + len(values)] == [*values]:
                    return float(line[0])
            try:
                self.said.append(self._lines.get(timeout=max(0.0, end - monotonic())))
            except Empty:
                raise AssertionError(f'never said: {about} {values}; {self.said[-9:]}') from None

    def now(self, about: str, since: float = 0.0) -> list[list[Any]]:
        """Give what it has said of something by now."""
        while not self._lines.empty():
            self.said.append(self._lines.get())
        return [line for line in self.said if line[1] == about and line[0] >= since]

    def end(self) -> None:
        """Have it end, and hear its last words."""
        assert self.process.stdin is not None
        self.process.stdin.write('\n')
        self.process.stdin.close()
        assert self.process.wait(PATIENCE) == 0
        self._reader.join()
        self.now('')

    def close(self) -> None:
        """Leave nothing of it behind."""
        self.process.kill()
        self.process.wait()
        self._reader.join()
        for stream in (self.process.stdin, self.process.stdout):
            assert stream is not None
            stream.close()


@contextmanager
def ends(*commands: list[str]) -> Iterator[list[End]]:
    """Start processes that are there, and leave none behind."""
    started = [End(each) for each in commands]
    try:
        for each in started:
            each.hear('there')
        yield started
    finally:
        for each in started:
            each.close()


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Callable[[str], None]:
    """Return a way to print a figure."""

    def print_row(row: str) -> None:
        with capsys.disabled():
            print(f'\n  {row}', end='')  # noqa: T201

    return print_row


def press(driver: End, robot: End) -> tuple[float, float]:
    """Let go and press anew until the robot moves; give when it does, and how long that took, s.

    A press under which the link was lost counts for nothing, so that it takes another.
    """
    begun = monotonic()
    while monotonic() - begun < PATIENCE:
        driver.tell('let go')
        sleep(0.2)
        pressed = driver.tell('hold')
        while monotonic() - pressed < 2.0:
            if moves := [line for line in robot.now('moves', pressed) if line[2]]:
                return float(moves[0][0]), float(moves[0][0]) - pressed
            sleep(0.005)
    raise AssertionError(f'it never moved; {robot.said[-5:]} {driver.said[-5:]}')


@pytest.mark.soak
def test_on_bad_links_it_moves_by_a_hand_or_stands(
    machines: 'Machines', tmp_path: Path, say: Callable[[str], None]
) -> None:
    """It stops in time after a cut, never goes on by itself, and can be driven again."""
    fleet = Fleet(tmp_path / 'keys', ('bracken',), ('anna',))
    here, there = machines.machine('robot'), machines.machine('laptop')
    environment = [sys.executable, str(ENDS)]
    with shaped((here, 'radio0'), (there, 'radio0')) as link:
        here.address('radio0', f'{ADDRESSES[0]}/24')
        there.address('radio0', f'{ADDRESSES[1]}/24')
        listens = f'{ADDRESSES[0]}:7447'
        commands = (
            here.command(*environment, 'robot', str(fleet.folder), 'bracken', listens),
            there.command(*environment, 'driver', str(fleet.folder), 'anna', f'bracken@{listens}'),
        )
        with ends(*commands) as (robot, driver):
            driver.hear('hears', 1)
            for name, shape in BAD.items():
                link.shape(**shape)
                say(bad_link(name, driver, robot))
            link.shape()
            for seconds in CUTS:
                say(cut(seconds, link, driver, robot))
            driver.tell('let go')
            for each in (driver, robot):
                each.end()
            ((_, _, ages),) = robot.now('ages')
            say(f'word at the robot after its beat: {figures(ages)} ms')


def figures(values: list[float]) -> str:
    """Give median, 99th percentile and worst."""
    hundredths = quantiles(values, n=100)
    return f'{hundredths[49]:.0f} p50, {hundredths[98]:.0f} p99, {max(values):.0f} max'


def bad_link(name: str, driver: End, robot: End) -> str:
    """Drive over a bad link, press anew after each stop, and order; say what came of it."""
    begun, moved, first = monotonic(), 0.0, []
    while monotonic() - begun < LOOK:
        moving, took = press(driver, robot)
        first.append(took)
        moved += wait_for_stop(robot, moving, begun + LOOK) - moving
    answers = []
    for _ in range(10):
        asked = driver.tell('stop')
        driver.hear('answer', 'stop', 1, since=asked)
        answers.append(driver.now('answer', asked)[-1][5])
    return (
        f'{name:<11} {len(first) - 1} stops in {LOOK:g} s, moved {100 * moved / LOOK:.0f} % of it; '
        f'moves {1000 * sorted(first)[len(first) // 2]:.0f} ms after a press, '
        f'orders answered in {1000 * sorted(answers)[4]:.0f} ms p50, {1000 * max(answers):.0f} max'
    )


def wait_for_stop(robot: End, since: float, until: float) -> float:
    """Wait until the robot stops, or until an instant; give when it did, or that instant."""
    while monotonic() < until:
        if stops := [line for line in robot.now('moves', since) if not line[2]]:
            return float(stops[0][0])
        sleep(0.01)
    return max(since, until)


def cut(seconds: float, link: 'Shaper', driver: End, robot: End) -> str:
    """Cut the link under a hand that holds, mend it, and see what the robot did."""
    press(driver, robot)
    sleep(0.5)
    link.shape(cut=True)
    begun = monotonic()
    sleep(seconds)
    link.shape()
    mended = monotonic()
    driver.hear('hears', 1, since=0.0 if seconds < LASTS else begun + LASTS)
    # Under the same hand it stands, for longer than anything is kept on the way.
    sleep(3.0)
    moves = robot.now('moves', begun)
    words = 'went on'
    if moves:
        assert [line[2] for line in moves] == [False], f'it went on by itself: {moves}'
        after = moves[0][0] - begun
        assert after <= LASTS + LATE
        words = f'stood after {after:.2f} s'
    else:
        assert seconds < LASTS, 'a cut did not stop it'
    _, again = press(driver, robot)
    heard = max(0.0, driver.now('hears')[-1][0] - mended)
    return (
        f'cut {seconds:4.1f} s: {words}, heard again {heard:.1f} s after its end, moved '
        f'{again:.2f} s after a press'
    )


@pytest.mark.soak
def test_ten_robots_and_one_laptop(tmp_path: Path, say: Callable[[str], None]) -> None:
    """One is driven and all are watched, for 20 s; what it costs and how late words are."""
    names = tuple(f'robot{number}' for number in range(10))
    fleet = Fleet(tmp_path / 'keys', names, ('anna',))
    addresses = {name: free_address() for name in names}
    keys = str(fleet.folder)
    robots = [[sys.executable, str(ENDS), 'robot', keys, *each] for each in addresses.items()]
    with ends(*robots) as started:
        watched = [f'{name}@{address}' for name, address in addresses.items()]
        with ends([sys.executable, str(ENDS), 'driver', keys, 'anna', *watched]) as (driver,):
            driver.hear('hears', 10)
            press(driver, started[0])
            begun = monotonic()
            sleep(20.0)
            stops = [line for line in started[0].now('moves', begun) if not line[2]]
            unheard = [line for line in driver.now('hears', begun) if line[2] != 10]
            driver.end()
        shares = []
        for each in started:
            each.end()
            shares.append(each.now('share')[0][2])
        ((_, _, ages),) = started[0].now('ages')
    ((_, _, laptop),) = driver.now('share')
    say(
        f'10 robots: laptop {100 * laptop:.1f} % of a core, a robot {100 * max(shares):.1f} %; '
        f'word at the robot after its beat {figures(ages)} ms; '
        f'{len(stops)} stops, {len(unheard)} silences; load {os.getloadavg()[0]:.0f}'
    )
    assert len(ages) > 200
