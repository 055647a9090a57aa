# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A builder edits a description, and sees on the page what becomes of it."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from math import acos, atan2, degrees, hypot
from pathlib import Path
from queue import Queue
from threading import Thread
from time import monotonic
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import Browser, Page

from leg_kinematics.commands.check import load_design
from leg_kinematics.design.live.checking import News
from leg_kinematics.design.live.house import CheckHouse
from leg_kinematics.view.messages import Checking
from leg_kinematics.view.server import Address, Server

if TYPE_CHECKING:
    from test.shown_design import DOUBTS, PICTURES, REPORT, WRONG
    from test.view.conftest import Opened
else:
    from shown_design import DOUBTS, PICTURES, REPORT, WRONG

    Opened = object

BRACKEN = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'

#: The scene shows feet where the description has them, m.
WITHIN = 1e-3


class NoChecker:
    """Checks nothing; the robot is to be seen without."""

    def start(self) -> None:
        """Do nothing."""

    def cancel(self) -> None:
        """Do nothing."""

    def fetch(self) -> Iterator[News]:
        """Say nothing."""
        return iter(())


@contextmanager
def served(robot: Path) -> Iterator[str]:
    """Serve the page of a description; give its address."""
    house = CheckHouse([robot], partial(load_design, robot, None, None), NoChecker(), monotonic)
    server = Server(house, Address('127.0.0.1', 0, 'a-token'))
    loop, stop = asyncio.new_event_loop(), asyncio.Event()
    began: Queue[Address] = Queue()
    thread = Thread(target=lambda: loop.run_until_complete(server.run(stop, began.put)))
    thread.start()
    try:
        yield began.get(timeout=40.0).url
    finally:
        loop.call_soon_threadsafe(stop.set)
        thread.join()
        loop.close()


def edit(robot: Path, old: str, new: str) -> None:
    """Replace some text, and save."""
    text = robot.read_text(encoding='utf-8')
    assert old in text
    robot.write_text(text.replace(old, new, 1), encoding='utf-8')


def femur_angle(femur: float, reach: float) -> str:
    """Give what the page writes of a femur of bracken that stands (law of cosines)."""
    across, down = reach - 0.032, 0.085
    far = hypot(across, down)
    knee = acos((femur**2 + far**2 - 0.104**2) / (2.0 * femur * far))
    return f'{degrees(atan2(-down, across) + knee):.1f}°'


def foot_of(page: Page) -> list[float]:
    """Read where the scene has the foot of the left middle leg, in `base_link`, m."""
    found: list[float] = page.evaluate('legKinematics.feet().left_middle')
    return found


def wait_for_femur(page: Page, angle: str) -> None:
    """Wait until the femur of the left middle leg, the second one, stands at an angle."""
    page.wait_for_function(
        "angle => document.querySelectorAll('#joint-rows .leg')[1]"
        "?.querySelectorAll('.value')[1].innerText === angle",
        arg=angle,
    )


def test_an_edit_moves_the_robot_and_a_wrong_one_is_told(browser: Browser, tmp_path: Path) -> None:
    """A longer femur turns the joints, a longer reach moves the foot, and an error says where."""
    robot = tmp_path / 'mine.yaml'
    robot.write_bytes(BRACKEN.read_bytes())
    with served(robot) as url, browser.new_context() as context:
        page = context.new_page()
        page.goto(url)
        wait_for_femur(page, femur_angle(0.068, 0.125))
        # By hand: its mount is 85 mm to the left, and it points there.
        assert foot_of(page) == pytest.approx([0.0, 0.210, -0.085], abs=WITHIN)

        edit(robot, 'length: 68 mm', 'length: 80 mm')
        wait_for_femur(page, femur_angle(0.080, 0.125))
        assert foot_of(page) == pytest.approx([0.0, 0.210, -0.085], abs=WITHIN)

        edit(robot, 'height: 85 mm\n  reach: 125 mm', 'height: 85 mm\n  reach: 140 mm')
        wait_for_femur(page, femur_angle(0.080, 0.140))
        assert foot_of(page) == pytest.approx([0.0, 0.225, -0.085], abs=WITHIN)

        edit(robot, 'length: 80 mm', 'length: 80 kg')
        page.wait_for_selector('#design-wrong:not([hidden])')
        assert 'mine.yaml:49: links.femur.length' in page.inner_text('#design-wrong')
        page.wait_for_selector('#stage.stale')

        edit(robot, 'length: 80 kg', 'length: 70 mm')
        wait_for_femur(page, femur_angle(0.070, 0.140))
        page.wait_for_selector('#stage:not(.stale)')
        assert page.is_hidden('#design-wrong')


def test_a_report_says_what_to_look_at_and_what_has_changed(opened: Opened) -> None:
    """In words; lines that pass alike are folded, and come back as somebody left them."""
    server = opened(DOUBTS, REPORT, PICTURES)
    page = server.page
    server.until(lambda: page.inner_text('#verdict-word') == 'fail')
    assert (
        page.inner_text('#verdict-meaning') == '1 fail, 1 tight, 13 pass, as far as it can be asked'
    )
    look = page.inner_text('#design-look')
    assert 'stronger servos, less mass' in look
    assert 'coxa 21 mm longer' in look
    assert 'four feet carry it' in look
    assert '2 of 15 values have changed: ↗ 1 better, ↘ 1 worse' in page.inner_text('#design-change')
    assert 'walking, at 0.50: pass → fail' in page.inner_text('#design-change')
    assert '↗ better, was 91 mm' in page.inner_text('#design-lines')
    assert 'fastened on the opposite side' in page.inner_text('#design-doubts')

    assert 'joint 11' not in page.inner_text('#design-lines')
    page.click('summary:has-text("pulse range left")')
    server.say(replace(REPORT, findings=REPORT.findings[1:]))
    server.until(lambda: 'margin standing' not in page.inner_text('#design-lines'))
    assert 'joint 11' in page.inner_text('#design-lines')

    server.until(lambda: page.locator('#pictures canvas').count() == 1)
    drawn = page.evaluate(
        """() => {
          const canvas = document.querySelector('#pictures canvas');
          const pixel = canvas.getContext('2d').getImageData(9, 9, 1, 1).data;
          return [canvas.width, canvas.height, ...pixel];
        }"""
    )
    assert drawn == [1430, 900, 128, 128, 128, 255]
    for quiet in ('#motion', '#stance', '#events', '#health', '#drive', '#power', '#release'):
        assert page.is_hidden(quiet)


def test_an_old_report_is_called_old(opened: Opened) -> None:
    """While a check runs, and while a file is wrong."""
    server = opened(REPORT)
    page = server.page
    server.until(lambda: page.inner_text('#verdict-word') == 'fail')
    assert page.is_hidden('#design-age')
    for message, word in ((Checking('reach'), 'checking'), (WRONG, 'cannot check')):
        server.say(message)
        server.until(lambda word=word: page.inner_text('#verdict-word') == word)  # type: ignore[misc]
        assert page.is_visible('#design-age')
        assert '97 mm' in page.inner_text('#design-lines')
    assert WRONG.words in page.inner_text('#design-wrong')
    server.say(REPORT)
    server.until(lambda: page.inner_text('#verdict-word') == 'fail')
    assert page.is_hidden('#design-age')
    assert page.is_hidden('#design-wrong')
