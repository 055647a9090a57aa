# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A house behind the server of the page that hears and says what a test wants."""

import asyncio
from collections.abc import Callable
from dataclasses import asdict
from queue import Queue
from threading import Thread
from time import monotonic
from typing import Any, cast

from playwright.sync_api import Page as Tab

from leg_kinematics.view.messages import (
    FRAMES_A_SECOND,
    Control,
    Events,
    Frame,
    FromPage,
    ToPage,
)
from leg_kinematics.view.server import Address, Page, Server

TOKEN = 'a-token_for-a_test'  # noqa: S105

#: Until what has to happen counts as not happening, s.
_PATIENCE = 40.0


class StandIn:
    """Stands in for a robot or a recording, for one page in a browser.

    Parameters
    ----------
    tab
        Where the page is opened.
    greeting
        What is said to whoever comes.

    Attributes
    ----------
    heard
        What the page has said, in its order; `hello` stands for its coming.
    faults
        Errors and warnings in the page's console, and whatever it asked others for.

    """

    def __init__(self, tab: Tab, *greeting: ToPage) -> None:
        """Serve; the page is not opened yet."""
        self.page = tab
        self.greeting = greeting
        self.heard: list[dict[str, Any]] = []
        self.faults: list[str] = []
        self._pages: dict[int, Page] = {}
        self._steps = 0
        self._address = Address('127.0.0.1', 0, TOKEN)
        self._loop = asyncio.new_event_loop()
        self._stop: asyncio.Event
        self._thread: Thread
        self.start()
        tab.on('console', lambda message: self._note(message.type, message.text))
        tab.on('pageerror', lambda error: self.faults.append(str(error)))
        tab.on('request', lambda request: self._see(request.url))

    # ---- what a test does

    def start(self) -> None:
        """Serve, again at the same address if it was stopped."""
        began: Queue[Address] = Queue()
        self._loop = asyncio.new_event_loop()
        self._stop = asyncio.Event()
        server = Server(self, self._address)
        self._thread = Thread(
            target=lambda: self._loop.run_until_complete(server.run(self._stop, began.put))
        )
        self._thread.start()
        self._address = began.get(timeout=_PATIENCE)

    def stop(self) -> None:
        """Serve no more, as a server that has died."""
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join()
        self._loop.close()

    def open(self, token: str = TOKEN) -> None:
        """Open the page; with the right token, wait until it has come."""
        self.page.goto(f'http://{self._address.authority}/#{token}')
        if token == TOKEN:
            self.until(lambda: bool(self.of('hello')))

    def say(self, *messages: ToPage) -> None:
        """Say something to the page."""
        for message in messages:
            self._loop.call_soon_threadsafe(self._say, message)

    def of(self, kind: str) -> list[dict[str, Any]]:
        """Give what the page has said of a kind."""
        return [message for message in list(self.heard) if message['kind'] == kind]

    def show(self, frame: Frame) -> None:
        """Say a frame, and wait until it is drawn."""
        self.say(frame)
        self.page.wait_for_function('at => legKinematics.drawn().at === at', arg=frame.at)

    def until(self, happens: Callable[[], bool]) -> None:
        """Wait until something has happened."""
        end = monotonic() + _PATIENCE
        while not happens():
            assert monotonic() < end, f'not within {_PATIENCE:g} s; heard {self.heard[-3:]}'
            self.page.wait_for_timeout(10.0)

    def numbers(self, question: str) -> dict[str, list[float]]:
        """Ask the page what the scene has, such as `feet`."""
        return cast('dict[str, list[float]]', self.page.evaluate(f'legKinematics.{question}()'))

    # ---- what the server does, in its own thread

    def come(self, page: Page) -> None:
        """Greet a page."""
        self._pages[page.number] = page
        for message in self.greeting:
            page.say(message)
        self.heard.append({'kind': 'hello'})

    def take(self, page: Page, message: FromPage) -> None:
        """Note what a page says."""
        del page
        self.heard.append(asdict(message))

    def leave(self, page: Page) -> None:
        """Forget a page."""
        del self._pages[page.number]

    def step(self) -> None:
        """Say something twice a second, so that no page takes the server for dead."""
        self._steps += 1
        if self._steps % (FRAMES_A_SECOND // 2) == 0:
            self._say(Events(()))

    def _say(self, message: ToPage) -> None:
        for page in self._pages.values():
            page.say(message)

    # ---- what the browser says

    def _note(self, kind: str, text: str) -> None:
        expected = ('GPU stall due to ReadPixels', 'WebSocket connection to', 'CONTEXT_LOST_WEBGL')
        if kind in {'error', 'warning'} and not any(words in text for words in expected):
            self.faults.append(text)

    def _see(self, url: str) -> None:
        if not url.startswith(f'http://{self._address.authority}/'):
            self.faults.append(f'asked for {url}')


def armed(words: str = 'this page drives', press: int = 0) -> Control:
    """Tell that this page drives."""
    return Control(offered=True, armed=True, moving=False, press=press, words=words)


def offered(words: str = 'nobody drives') -> Control:
    """Tell that somebody may drive."""
    return Control(offered=True, armed=False, moving=False, press=0, words=words)


WATCHED_ONLY = Control(offered=False, armed=False, moving=False, press=0, words='')
