# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Somebody watches a robot that runs on a page in a browser, and drives it from there."""

import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from math import dist
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import Page

from leg_kinematics.chain.power import PowerState

if TYPE_CHECKING:
    from test.browser import chromium
    from test.chain.conftest import Scene, StartChain
    from test.terminal import LEG_KINEMATICS
else:
    from browser import chromium
    from terminal import LEG_KINEMATICS

#: What the page shows is what the board puts out, m; pulses are rounded to half a microsecond.
WITHIN = 1e-3


@contextmanager
def served(namespace: str) -> Iterator[str]:
    """Run `leg-kinematics view` for a chain, and give the address that it prints."""
    command = [*LEG_KINEMATICS, 'view', '--control', '--port', '0', '--namespace', namespace]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            yield process.stdout.readline().strip()
            process.terminate()
            assert process.wait(30) == 0
        finally:
            process.kill()


class Watched:
    """A page, and the chain that it shows."""

    def __init__(self, page: Page, scene: 'Scene') -> None:
        """Look at both."""
        self.page = page
        self._scene = scene

    def until(self, condition: Callable[[], bool], what: str) -> None:
        """Let the page and the witness work until something is true."""

        def is_true() -> bool:
            # The page is asked in between, since its driver works only when it is asked.
            self.page.wait_for_timeout(10.0)
            return condition()

        self._scene.operator.spin(is_true, what)

    def power(self) -> str:
        """Read the state of power."""
        return self.page.inner_text('#power-state')

    def sees_the_feet(self) -> None:
        """Wait until the feet of the scene are where the pulses of the board put them."""

        def near() -> bool:
            feet = list(self.page.evaluate('legKinematics.feet()').values())
            wanted = self._scene.feet()
            return len(feet) == len(wanted) and all(map(_near, feet, wanted))

        self.until(near, 'the page showing the feet where the board has put them')


def has_power(watched: Watched) -> bool:
    """Whether a page says that the joints follow."""
    return watched.power() == PowerState.FOLLOWING


def _near(one: list[float], other: tuple[float, float, float]) -> bool:
    return dist(one, other) < WITHIN


def _focused(page: Page) -> str:
    return str(page.evaluate('document.activeElement.id'))


@pytest.mark.timeout(240)
def test_a_page_shows_and_drives_a_running_chain(start_chain: 'StartChain') -> None:
    """Two pages show it; one drives it, is gone, and the robot stands; the bridge comes back."""
    scene = start_chain()
    operator = scene.operator
    operator.bring_up()
    operator.stand()
    with served(operator.node.get_namespace()) as url, chromium() as browser:
        one, other = (
            Watched(browser.new_page(viewport={'width': 800, 'height': 600}), scene)
            for _ in range(2)
        )
        for each in (one, other):
            each.page.goto(url)
            each.until(partial(has_power, each), 'power')
            each.sees_the_feet()

        driver = other.page
        driver.press('#arm', 'Enter')
        other.until(lambda: driver.inner_text('#arm') == 'Disarm', 'the page being armed')
        other.until(lambda: _focused(driver) == 'stick', 'the stick having the focus')
        driver.keyboard.down('w')
        one.until(lambda: 'walking' in one.page.inner_text('#nodes'), 'the robot walking')
        assert one.power() == PowerState.FOLLOWING
        # The key is down still: nobody but the server can end this.
        driver.close()
        one.until(lambda: 'standing' in one.page.inner_text('#nodes'), 'the robot standing')
        one.sees_the_feet()

        scene.kill('bridge')
        one.until(lambda: one.power() == 'not heard', 'the page missing the bridge')
        scene.chain.start('bridge')
        operator.bring_up()
        operator.stand()
        one.until(lambda: one.power() == PowerState.FOLLOWING, 'the page hearing the bridge')
        one.page.reload()
        one.until(lambda: one.power() == PowerState.FOLLOWING, 'the page being loaded again')
        one.sees_the_feet()

        one.page.press('#release', 'Enter')
        operator.wait_for_power(PowerState.RELEASED)
        one.until(lambda: one.power() == PowerState.RELEASED, 'the page showing the release')
        assert 'release' in one.page.inner_text('#drive-words')
    scene.assert_no_jump()
