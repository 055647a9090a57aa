# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How soon a robot is told to stop that was driven from a page, however its driver is lost.

The browser is on another machine: a network namespace with a cable to this one, on which the chain
runs. What is measured is the time from the event to the stamp of the last velocity on `cmd_vel`
that is none of standstill; the stamp is that of the sender, so that a test that looks late measures
no more. Set TRIALS to have each ending more or less often than ten times.
"""

import os
import signal
import stat
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from random import Random
from statistics import median
from time import monotonic, sleep, time_ns
from typing import TYPE_CHECKING

import pytest
import rclpy
from geometry_msgs.msg import TwistStamped
from playwright.sync_api import Browser, Page, ViewportSize

from leg_kinematics.gait import Twist
from leg_kinematics.nodes.running.transport import join_graph
from leg_kinematics.nodes.taking_part.participant import RECORDED
from leg_kinematics.nodes.translation.messages import body_twist, nanoseconds_of

if TYPE_CHECKING:
    from test.browser import chromium, draw_little
    from test.chain.conftest import StartChain
    from test.namespaces import Machine, Machines, ip
    from test.served import served
else:
    from browser import chromium, draw_little
    from namespaces import ip
    from served import served

TRIALS = int(os.environ.get('TRIALS', '10'))

WINDOW: ViewportSize = {'width': 640, 'height': 700}

#: Where the page can tell that nobody holds the stick any more, and where only silence can, s.
TOLD = 0.15
SILENT = 0.5

#: No velocity but standstill for this long: the robot has been stopped for good, s.
FOR_GOOD = 1.2

#: A driver is heard at least so often that velocities are closer than this, s.
DRIVEN_EVERY = 0.15

#: For what takes as long as the machine lets it, s; and between two looks.
PATIENCE = 60.0
GLANCE = 0.005


@dataclass
class Laptop:
    """A machine with a browser, at the other end of a cable.

    Attributes
    ----------
    machine
        The namespace.
    command
        Starts the browser there.
    ours
        Address of this machine on the cable.

    """

    machine: 'Machine'
    command: Path
    ours: str
    _note: Path

    def signal(self, number: int) -> None:
        """Send a signal to the browser and all its processes."""
        os.killpg(int(self._note.read_text(encoding='ascii')), number)

    def cable(self, state: str) -> None:
        """Pull the cable, `down`, or plug it in, `up`."""
        self.machine.ip('link', 'set', 'cable', state)


@pytest.fixture
def laptop(machines: 'Machines', tmp_path: Path) -> Laptop:
    """Lay a cable to another machine. Addresses are those of tests (RFC 2544)."""
    machine = machines.machine('laptop')
    number = os.getpid() % 250
    interface = f'legs-{os.getpid()}'
    ip(
        *('link', 'add', interface, 'type', 'veth'),
        *('peer', 'name', 'cable', 'netns', machine.namespace),
    )
    ip('address', 'add', f'198.18.{number}.1/24', 'dev', interface)
    ip('link', 'set', interface, 'up')
    machine.address('cable', f'198.18.{number}.2/24')
    command, note = tmp_path / 'browser', tmp_path / 'browser.pid'
    started = ' '.join(machine.command('chromium', '"$@"'))
    command.write_text(f'#!/bin/sh\necho $$ > {note}\nexec {started}\n', encoding='ascii')
    command.chmod(command.stat().st_mode | stat.S_IXUSR)
    return Laptop(machine, command, f'198.18.{number}.1', note)


class Driver:
    """Somebody with a finger on the stick of a page, and an ear for what the robot is told.

    Parameters
    ----------
    namespace
        Of the chain.
    url
        Of the page.

    Attributes
    ----------
    moved_at
        Stamp of the last velocity that was none of standstill, ns.

    """

    def __init__(self, namespace: str, url: str) -> None:
        """Hear velocities, and nothing else."""
        self._url = url
        self._context, self._node = join_graph('ear', namespace)
        self._velocities = self._node.create_subscription(TwistStamped, 'cmd_vel', print, RECORDED)
        self._phases = Random(5)
        self.moved_at = 0

    def close(self) -> None:
        """Leave the graph."""
        self._node.destroy_node()
        rclpy.try_shutdown(context=self._context)

    def _hear(self) -> None:
        """Take all that has come."""
        handle = self._velocities.handle
        with handle:
            while (taken := handle.take_message(TwistStamped, False)) is not None:  # noqa: FBT003
                message: TwistStamped = taken[0]
                if body_twist(message) != Twist():
                    self.moved_at = max(self.moved_at, nanoseconds_of(message.header.stamp))

    def hold(self, browser: Browser) -> Page:
        """Open a page, arm it, and hold its stick until the robot has moved for a while."""
        page = browser.new_page(viewport=WINDOW)
        page.goto(self._url)
        page.wait_for_selector('#arm:visible')
        draw_little(page)
        self._until(lambda: self._armed(page), 'an armed page')
        box = page.locator('#stick').bounding_box()
        assert box is not None
        # Some turn, and no walk away from here; and not where the driver is heard in even steps.
        page.mouse.move(box['x'] + 0.9 * box['width'], box['y'] + 0.5 * box['height'])
        page.mouse.down()
        held_at = monotonic()
        for_a_while = self._phases.uniform(0.4, 0.8)

        def moving() -> bool:
            nonlocal held_at
            if 'Stopped' in page.inner_text('#stick-words'):
                page.mouse.up()
                page.mouse.down()
                held_at = monotonic()
            return monotonic() - held_at > for_a_while and self._moved_lately()

        self._until(moving, 'a robot that moves')
        return page

    def _armed(self, page: Page) -> bool:
        """Arm the page; another one that drives is given up within a while."""
        if page.inner_text('#arm') == 'Arm':
            page.click('#arm')
            page.wait_for_timeout(100.0)
        return page.inner_text('#arm') == 'Disarm'

    def _moved_lately(self) -> bool:
        return time_ns() - self.moved_at < DRIVEN_EVERY * 1e9

    def _until(self, condition: Callable[[], bool], what: str) -> None:
        end = monotonic() + PATIENCE
        while not condition():
            assert monotonic() < end, f'waited in vain for {what}'
            sleep(GLANCE)
            self._hear()

    def let_go(self, happen: Callable[[], object]) -> float | None:
        """Let something happen; give the time to the last motion, s; None if that was before."""
        at = time_ns()
        happen()
        self._until(
            lambda: time_ns() - max(at, self.moved_at) > FOR_GOOD * 1e9, 'a robot that rests'
        )
        return (self.moved_at - at) / 1e9 if self.moved_at > at - DRIVEN_EVERY * 1e9 else None


def _dispatch(page: Page, target: str, event: str) -> None:
    page.evaluate(f"{target}.dispatchEvent(new Event('{event}'))")


def _hide(page: Page) -> None:
    """Hide the page as another tab does (HTML, page visibility)."""
    page.evaluate(
        "Object.defineProperty(document, 'hidden', { value: true });"
        "document.dispatchEvent(new Event('visibilitychange'))"
    )


#: What a page can tell, or its connection by ending.
BY_PAGE: Mapping[str, Callable[[Page], object]] = {
    'finger lifted': lambda page: page.mouse.up(),
    'finger slid away': lambda page: page.mouse.move(5.0, 5.0),
    'window not in front': lambda page: _dispatch(page, 'window', 'blur'),
    'tab hidden': _hide,
    'page closed': lambda page: page.close(),
    'page reloaded': lambda page: page.evaluate('location.reload()'),
}


@pytest.fixture
def driver(start_chain: 'StartChain', laptop: Laptop) -> Iterator[Driver]:
    """Stand, and serve the page on the cable."""
    scene = start_chain()
    scene.operator.bring_up()
    scene.operator.stand()
    namespace = scene.operator.node.get_namespace()
    with served(namespace, '--lan', laptop.ours) as page_of:
        driver = Driver(namespace, page_of.url)
        yield driver
        driver.close()


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_the_robot_stops_however_its_driver_is_lost(
    driver: Driver, laptop: Laptop, say: Callable[[str], None]
) -> None:
    """At once where the page can tell it, and within half a second where only silence can."""
    taken: dict[str, list[float]] = {}

    def note(ending: str, seconds: float | None) -> bool:
        """Note what was measured, if it was: a page may just have been stopped for lagging."""
        if seconds is not None:
            taken.setdefault(ending, []).append(max(0.0, seconds))
        return len(taken.get(ending, ())) >= TRIALS

    def in_a_browser(ending: str, end: Callable[[Page], object], mend: Callable[[], None]) -> None:
        with chromium(laptop.command) as browser:
            done = False
            while not done:
                page = driver.hold(browser)
                done = note(ending, driver.let_go(lambda page=page: end(page)))  # type: ignore[misc]
                mend()
                page.close()

    for ending, end in BY_PAGE.items():
        in_a_browser(ending, end, lambda: None)
    in_a_browser(
        'browser stands still (SIGSTOP)',
        lambda _: laptop.signal(signal.SIGSTOP),
        lambda: laptop.signal(signal.SIGCONT),
    )
    in_a_browser('cable pulled', lambda _: laptop.cable('down'), lambda: laptop.cable('up'))
    done = False
    while not done:
        with ExitStack() as stack:
            browser = stack.enter_context(chromium(laptop.command))
            driver.hold(browser)
            done = note(
                'browser killed (SIGKILL)', driver.let_go(lambda: laptop.signal(signal.SIGKILL))
            )

    say(f'{"the driver is lost by":32}{"bound":>8}{"median":>9}{"worst":>9}   of {TRIALS}, ms')
    for ending, seconds in taken.items():
        bound = TOLD if ending in BY_PAGE else SILENT
        say(f'{ending:32}{bound * 1e3:8.0f}{median(seconds) * 1e3:9.1f}{max(seconds) * 1e3:9.1f}')
    for ending, seconds in taken.items():
        assert max(seconds) <= (TOLD if ending in BY_PAGE else SILENT), ending
