# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Stands in for the server of the page: it hears and says what a test wants."""

import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any, cast

from playwright.sync_api import Page, Route, WebSocketRoute

from leg_kinematics.view.messages import Control, Frame, ToPage

if TYPE_CHECKING:
    from test.installed_page import BUILT
else:
    from installed_page import BUILT

#: Nothing listens there: all that the page asks for is answered here.
ORIGIN = 'http://page.invalid'

TOKEN = 'a token / with + odd % letters'  # noqa: S105

#: Nothing but what comes from the server itself, and no script or style within the document.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)

_TYPES = {'.html': 'text/html', '.js': 'text/javascript', '.css': 'text/css'}

#: Until what has to happen counts as not happening, s.
_PATIENCE = 20.0


class StandIn:
    """A server for one page.

    Parameters
    ----------
    page
        It is opened here.
    greeting
        What is said to whoever has said `hello`.

    Attributes
    ----------
    heard
        What the page has said, in its order.
    faults
        Errors and warnings in the page's console, and requests for what is not there.

    """

    def __init__(self, page: Page, *greeting: ToPage) -> None:
        """Serve the page; it is not opened yet."""
        self.page = page
        self.greeting = greeting
        self.heard: list[dict[str, Any]] = []
        self.faults: list[str] = []
        self.answers = True
        self._socket: WebSocketRoute | None = None
        page.on('console', lambda message: self._note(message.type, message.text))
        page.on('pageerror', lambda error: self.faults.append(str(error)))
        page.route('**/*', self._serve)
        page.route_web_socket('**/*', self._connect)

    def open(self, *, hello: bool = True) -> None:
        """Open the page, and wait until it has said `hello`."""
        self.page.goto(f'{ORIGIN}/#{TOKEN.replace("%", "%25").replace(" ", "%20")}')
        if hello:
            self.until(lambda: bool(self.of('hello')))

    def say(self, *messages: ToPage) -> None:
        """Say something to the page."""
        assert self._socket is not None
        for message in messages:
            self._socket.send(json.dumps(asdict(message)))

    def hang_up(self, code: int = 1001, why: str = '') -> None:
        """Close the connection."""
        assert self._socket is not None
        self._socket.close(code=code, reason=why)

    def of(self, kind: str) -> list[dict[str, Any]]:
        """Give what the page has said of a kind."""
        return [message for message in self.heard if message['kind'] == kind]

    def show(self, frame: Frame) -> None:
        """Say a frame, and wait until it is drawn."""
        self.say(frame)
        self.until(lambda: self.page.evaluate('legKinematics.drawn().at') == frame.at)

    def until(self, happens: Callable[[], bool]) -> None:
        """Wait until something has happened."""
        end = monotonic() + _PATIENCE
        while not happens():
            assert monotonic() < end, f'not within {_PATIENCE:g} s; heard {self.heard[-3:]}'
            self.page.wait_for_timeout(5.0)

    def numbers(self, question: str) -> dict[str, list[float]]:
        """Ask the page what the scene has, such as `feet`."""
        return cast('dict[str, list[float]]', self.page.evaluate(f'legKinematics.{question}()'))

    def _note(self, kind: str, text: str) -> None:
        if kind in {'error', 'warning'} and 'GPU stall due to ReadPixels' not in text:
            self.faults.append(text)

    def _serve(self, route: Route) -> None:
        path = route.request.url.removeprefix(ORIGIN).lstrip('/') or 'index.html'
        file = BUILT / path
        if not route.request.url.startswith(ORIGIN) or not file.is_file():
            self.faults.append(f'asked for {route.request.url}')
            route.abort()
            return
        kind = _TYPES.get(Path(path).suffix, 'image/svg+xml')
        headers = {'Content-Security-Policy': POLICY}
        route.fulfill(body=file.read_bytes(), content_type=kind, headers=headers)

    def _connect(self, socket: WebSocketRoute) -> None:
        if not self.answers:
            socket.close(code=1001)
            return
        self._socket = socket
        socket.on_message(self._hear)

    def _hear(self, text: str | bytes) -> None:
        message = json.loads(text)
        self.heard.append(message)
        if message['kind'] == 'hello':
            self.say(*self.greeting)


def armed(words: str = 'this page drives', press: int = 0) -> Control:
    """Tell that this page drives."""
    return Control(offered=True, armed=True, moving=False, press=press, words=words)


def offered(words: str = 'nobody drives') -> Control:
    """Tell that somebody may drive."""
    return Control(offered=True, armed=False, moving=False, press=0, words=words)


WATCHED_ONLY = Control(offered=False, armed=False, moving=False, press=0, words='')
