# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Somebody watches a robot that runs on a page in a browser, and drives it from there."""

from collections.abc import Callable
from math import dist
from typing import TYPE_CHECKING

import pytest
from lifecycle_msgs.msg import Transition
from playwright.sync_api import Page, ViewportSize

from leg_kinematics.chain.power import PowerState

if TYPE_CHECKING:
    from test.browser import chromium, draw_little
    from test.chain.conftest import Scene, StartChain
    from test.served import served
else:
    from browser import chromium, draw_little
    from served import served

#: What the page shows is what the board puts out, m; pulses are rounded to half a microsecond.
WITHIN = 1e-3


#: The browser draws by the processor, which the chain needs as well.
SMALL: ViewportSize = {'width': 360, 'height': 480}


class Watched:
    """A page, and the chain that it shows."""

    def __init__(self, page: Page, scene: 'Scene') -> None:
        """Look at both."""
        self.page = page
        self._scene = scene

    def hide_the_picture(self) -> None:
        """Leave the processors to the chain: a picture is drawn by them here, too."""
        self.page.evaluate("document.getElementById('stage').hidden = true")

    def hold_until(self, key: str, condition: Callable[[], bool], what: str) -> None:
        """Hold a key until something is true; press it anew whenever the page was stopped.

        That happens where this machine draws a picture for longer than a driver may be silent.
        """
        self.page.keyboard.down(key)

        def is_true() -> bool:
            if condition():
                return True
            if 'Stopped' in self.page.inner_text('#stick-words'):
                self.page.keyboard.up(key)
                self.page.keyboard.down(key)
            return False

        self.until(is_true, what)

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

    def until_power(self, state: PowerState) -> None:
        """Wait until the page shows a state of power."""
        self.until(lambda: self.power() == state, f'the page showing {state}')

    def sees_the_feet(self) -> None:
        """Wait until the feet of the scene are where the pulses of the board put them."""

        def near() -> bool:
            if not self._scene.log.poses():
                return False
            feet = list(self.page.evaluate('legKinematics.feet()').values())
            wanted = self._scene.feet()
            return len(feet) == len(wanted) and all(map(_near, feet, wanted))

        self.until(near, 'the page showing the feet where the board has put them')


def _near(one: list[float], other: tuple[float, float, float]) -> bool:
    return dist(one, other) < WITHIN


def _focused(page: Page) -> str:
    return str(page.evaluate('document.activeElement.id'))


def test_pages_show_a_running_chain(start_chain: 'StartChain') -> None:
    """Two of them, again after a reload and after the bridge has died; either can release it."""
    scene = start_chain()
    operator = scene.operator
    operator.bring_up()
    operator.stand()
    with served(operator.node.get_namespace()) as page_of, chromium() as browser:
        one, other = (Watched(browser.new_page(viewport=SMALL), scene) for _ in range(2))
        for each in (one, other):
            each.page.goto(page_of.url)
            each.hide_the_picture()
            each.until_power(PowerState.FOLLOWING)
            each.sees_the_feet()
        other.page.close()

        scene.kill('bridge')
        one.until(lambda: one.power() == 'not heard', 'the page missing the bridge')
        operator.lose_sight()
        with operator.seeing_anew('bridge/change_state'):
            scene.chain.start('bridge')
        operator.wait_for('bridge', 'unconfigured')
        operator.change_bridge(Transition.TRANSITION_CONFIGURE)
        operator.wait_for_power(PowerState.HOLDING)
        operator.change_bridge(Transition.TRANSITION_ACTIVATE)
        operator.wait_for_power(PowerState.FOLLOWING)
        one.until_power(PowerState.FOLLOWING)
        one.page.reload()
        one.hide_the_picture()
        one.until_power(PowerState.FOLLOWING)
        one.sees_the_feet()

        one.page.press('#release', 'Enter')
        operator.wait_for_power(PowerState.RELEASED)
        one.until_power(PowerState.RELEASED)
        assert 'release' in one.page.inner_text('#drive-words')


@pytest.mark.soak
def test_a_page_drives_a_running_chain(start_chain: 'StartChain') -> None:
    """Its key is held, the page is gone, and the robot comes to stand."""
    scene = start_chain()
    operator = scene.operator
    operator.bring_up()
    operator.stand()
    with served(operator.node.get_namespace()) as page_of, chromium() as browser:
        driver = Watched(browser.new_page(viewport=SMALL), scene)
        page = driver.page
        page.goto(page_of.url)
        driver.sees_the_feet()
        page.press('#arm', 'Enter')
        driver.until(lambda: page.inner_text('#arm') == 'Disarm', 'the page being armed')
        driver.until(lambda: _focused(page) == 'stick', 'the stick having the focus')
        draw_little(page)
        driver.hold_until('w', lambda: 'walking' in page.inner_text('#nodes'), 'the robot walking')
        # The key is down still: nobody but the server can end this.
        page.close()
        operator.wait_for('gait', 'standing')
    scene.assert_no_jump()
