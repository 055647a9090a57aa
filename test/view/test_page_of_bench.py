# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Questions at the bench, on a page in a browser: answered by hand, by keyboard, and lost."""

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from playwright.sync_api import Browser, expect

from leg_kinematics.view.messages import Asked, Lead

if TYPE_CHECKING:
    from test.shown_bench import LEADING, NOBODY, angle, power
    from test.shown_walk import shown_walk
    from test.stand_in import StandIn
    from test.terminal import LEG_KINEMATICS
    from test.view.conftest import Opened
else:
    from shown_bench import LEADING, NOBODY, angle, power
    from shown_walk import shown_walk
    from terminal import LEG_KINEMATICS

    Opened = StandIn = object

BRACKEN = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'

#: For a busy machine, s.
PATIENCE = 60.0


def asking(opened: Opened, *more: Asked | Lead, phone: bool = False) -> StandIn:
    """Open a page at the bench, with the robot drawn."""
    robot, frames = shown_walk()
    server = opened(robot, *more, phone=phone, dark=phone)
    server.show(frames[0])
    return server


def said(server: StandIn) -> list[dict[str, object]]:
    """Give what the page has said, but that it is there."""
    return [each for each in server.heard if each['kind'] not in {'hello', 'leading'}]


def test_whoever_leads_answers_by_hand_and_by_keyboard(opened: Opened) -> None:
    """With the number of the question that is seen; what is typed goes into the field."""
    server = asking(opened, power(), NOBODY)
    page = server.page
    expect(page.locator('#bench-choices button').first).to_be_disabled()
    page.click('#lead')
    server.until(lambda: said(server) == [{'kind': 'take_lead'}])
    server.say(LEADING)
    page.get_by_role('button', name='give it pulses').click()
    server.until(lambda: said(server)[1:] == [{'kind': 'choose', 'number': 1, 'key': 'enter'}])
    server.say(angle())
    expect(page.locator('#bench-typed')).to_be_focused()
    page.keyboard.type('-12.5')
    page.keyboard.press('Enter')
    server.until(lambda: said(server)[2:] == [{'kind': 'enter', 'number': 2, 'text': '-12.5'}])
    expect(page.locator('#bench-typed')).to_have_value('')
    page.keyboard.press('k')
    server.until(lambda: said(server)[3:] == [{'kind': 'choose', 'number': 2, 'key': 'k'}])
    server.until(lambda: bool(server.of('leading')))


def test_off_is_there_for_whoever_looks_on(opened: Opened) -> None:
    """By hand, space bar and Escape; nothing else is said."""
    server = asking(opened, angle(), Lead(leading=False, free=False, words=''))
    page = server.page
    page.click('#off')
    page.keyboard.press('Escape')
    page.locator('#bench-title').focus()
    page.keyboard.press(' ')
    page.keyboard.press('k')
    page.keyboard.press('x')
    server.until(lambda: said(server) == [{'kind': 'off'}] * 4)
    expect(page.locator('#lead')).to_be_disabled()


def test_a_hidden_page_leads_no_more(opened: Opened) -> None:
    """It says so, and where the connection is lost nobody can answer."""
    server = asking(opened, power(), LEADING)
    page = server.page
    page.evaluate("Object.defineProperty(document, 'hidden', { value: true })")
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    server.until(lambda: said(server) == [{'kind': 'leave_lead'}])
    server.stop()
    expect(page.locator('#lead-words')).to_contain_text('connection is lost')
    expect(page.locator('#bench-choices button').first).to_be_disabled()
    server.start()
    expect(page.locator('#lead')).to_have_text('Lead no more')


@contextmanager
def calibrating(folder: Path) -> Iterator[str]:
    """Calibrate on the mock by a page; give its address."""
    command = [
        *LEG_KINEMATICS, 'calibrate', str(BRACKEN), '--servo-maps', str(folder / 'maps.yaml'),
        '--joint', 'left_front_coxa', '--page', '--port', '0', '--output', str(folder / 'out'),
    ]  # fmt: skip
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as run:
        assert run.stdout is not None
        try:
            address = ''
            while not address.startswith('http'):
                address = run.stdout.readline()
                assert address
            yield address.strip()
            assert run.wait(PATIENCE) == 0
        finally:
            run.kill()


def test_a_servo_is_measured_on_a_page(browser: Browser, tmp_path: Path) -> None:
    """From its first pulse to an angle that is read off, on the mock; left by the page."""
    with calibrating(tmp_path) as address:
        page = browser.new_context().new_page()
        page.set_default_timeout(1000.0 * PATIENCE)
        expect.set_options(timeout=1000.0 * PATIENCE)
        page.goto(address)
        page.click('#lead')
        expect(page.locator('#lead')).to_have_text('Lead no more')
        page.keyboard.press('Enter')
        expect(page.locator('#bench-title')).to_have_text('left_front_coxa: horn')
        expect(page.locator('#bench-condition')).to_contain_text('At rest')
        page.keyboard.press('Enter')
        positive = page.get_by_role('button', name='positive')
        positive.wait_for()
        # While the servo is on its way back, what it is free for is not taken.
        while positive.count():
            positive.click()
            page.wait_for_timeout(200.0)
        expect(page.locator('#bench-title')).to_have_text('left_front_coxa: free to longer pulses?')
        page.click('#off')
        expect(page.locator('#bench-condition')).to_contain_text('pulses are off')
        page.get_by_role('button', name='leave').click()
    assert 'left_front_coxa' in (tmp_path / 'maps.mock.readings.jsonl').read_text('utf-8')
