# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Hands out the page, and carries messages between pages and whoever answers them.

A page may move a robot, and any page that a browser shows can try to talk to a server on the same
computer. So whoever connects has to have come by our address (`Host`: a foreign name that is made
to lead here is refused), from our page (`Origin`), and with the token, which only the address that
was printed has; it is behind `#`, where no browser sends it anywhere, and is the first message.
Connections, pages and messages are bounded, and all that is refused is counted.
"""

import asyncio
import gzip
from collections import Counter, deque
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from http import HTTPStatus
from importlib.resources import files
from secrets import compare_digest
from typing import Any, Protocol, cast

from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.view.messages import FRAMES_A_SECOND, LONGEST_MESSAGE, FromPage, Hello, ToPage
from leg_kinematics.view.reading import read, written

try:
    from aiohttp import WSCloseCode, WSMsgType, web
except ImportError as error:
    raise LegKinematicsError(
        "the page needs the package aiohttp: pip install 'leg_kinematics[view]'"
    ) from error

#: Connections of any kind, pages, and pages that have not said their token yet, at a time.
MOST_CONNECTIONS = 64
MOST_PAGES = 12
MOST_UNKNOWN = 12

#: So many connections are taken at once before any of them is counted.
BACKLOG = 100

#: Whoever has not become a page within this time is hung up on, s.
BECOME_A_PAGE_WITHIN = 10.0

#: The token is the first message, and comes at once, s.
TOKEN_WITHIN = 3.0

#: A page takes messages so slowly that this many wait is hung up on.
MOST_WAITING = 400

#: A page that takes nothing at all for this long is hung up on, s.
TAKES_WITHIN = 5.0

#: A page that says more messages a second than this is hung up on.
MOST_A_SECOND = 300

TYPES = {
    'index.html': 'text/html',
    'page.js': 'text/javascript',
    'page.css': 'text/css',
    'icon.svg': 'image/svg+xml',
    'licences.txt': 'text/plain',
}

HEADERS = {
    # Nothing but what comes from here, and no script or style within the document (CSP Level 3).
    'Content-Security-Policy': "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'",
    'X-Content-Type-Options': 'nosniff',
    'Referrer-Policy': 'no-referrer',
    'Cross-Origin-Opener-Policy': 'same-origin',
    'Cross-Origin-Resource-Policy': 'same-origin',
    'Cache-Control': 'no-cache',
}


class Page:
    """A page that has said its token, as whoever answers sees it.

    Attributes
    ----------
    number
        Different from all others.

    """

    def __init__(self, number: int) -> None:
        """Have nothing to say."""
        self.number = number
        self._waiting: deque[str] = deque()
        self._frame = ''
        self._news = asyncio.Event()
        self.overrun = False

    def say(self, message: ToPage) -> None:
        """Have a message sent, after those that were said before."""
        self.say_text(written(message))

    def say_text(self, text: str) -> None:
        """Do the same with one that is written already."""
        self._waiting.append(text)
        self.overrun = len(self._waiting) > MOST_WAITING
        self._news.set()

    def show(self, frame: str) -> None:
        """Have a written frame sent, unless a later one comes before it could be."""
        self._frame = frame
        self._news.set()

    async def fetch(self) -> list[str]:
        """Wait for something to send, and take it."""
        await self._news.wait()
        self._news.clear()
        texts = [*self._waiting, *([self._frame] if self._frame else [])]
        self._waiting.clear()
        self._frame = ''
        return texts


class House(Protocol):
    """Who answers pages."""

    def come(self, page: Page) -> None:
        """Greet a page."""

    def take(self, page: Page, message: FromPage) -> None:
        """Take a message of a page; CommandError where it is none here."""

    def leave(self, page: Page) -> None:
        """Know that a page is gone."""

    def step(self) -> None:
        """Do what is due; called 30 times a second."""


@dataclass(frozen=True)
class Address:
    """Where the page is.

    Attributes
    ----------
    host
        An address of this computer.
    port
        0 for any that is free.
    token
        That a page has to say.

    """

    host: str
    port: int
    token: str

    @property
    def url(self) -> str:
        """What a browser is given."""
        return f'http://{self.authority}/#{self.token}'

    @property
    def authority(self) -> str:
        """Host and port, as a browser tells them."""
        host = f'[{self.host}]' if ':' in self.host else self.host
        return host if self.port == 80 else f'{host}:{self.port}'

    @property
    def authorities(self) -> frozenset[str]:
        """All names under which a browser on this computer may know the server."""
        own = {self.authority}
        if self.host == '127.0.0.1':
            own.add(self.authority.replace(self.host, 'localhost', 1))
        return frozenset(own)


@dataclass
class _Refusing(asyncio.Protocol):
    """Hangs up at once."""

    refused: Counter[str]

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Hang up."""
        self.refused['too many connections'] += 1
        transport.close()


@dataclass
class Server:
    """Serves one house.

    Attributes
    ----------
    house
        Who answers.
    address
        Where, and with which token.
    refused
        What was refused, by reason.

    """

    house: House
    address: Address
    refused: Counter[str] = field(default_factory=Counter)
    _pages: int = 0
    _unknown: int = 0
    _numbers: int = 0
    _known: set[Any] = field(default_factory=set)

    def __post_init__(self) -> None:
        """Have the files of the page ready."""
        built = files('leg_kinematics.view') / 'built'
        self._files = {name: (built / name).read_bytes() for name in TYPES}
        self._packed = {name: gzip.compress(body, 9, mtime=0) for name, body in self._files.items()}

    def application(self) -> web.Application:
        """Make what answers requests."""
        app = web.Application(middlewares=[self._guard], client_max_size=1024)
        app.router.add_get('/', self._hand_out)
        app.router.add_get('/socket', self._talk)
        app.router.add_get('/{name}', self._hand_out)
        return app

    @asynccontextmanager
    async def serving(self) -> AsyncIterator['asyncio.Task[None]']:
        """Serve for as long as the context lasts; the address is complete within.

        What the context gives ends only if the house fails.

        Raises
        ------
        CommandError
            The address is none of this computer, or taken.

        """
        runner = web.AppRunner(self.application(), access_log=None, shutdown_timeout=0.5)
        await runner.setup()
        handlers = cast('web.Server', runner.server)
        loop = asyncio.get_running_loop()

        def answer() -> asyncio.Protocol:
            if len(handlers.connections) >= MOST_CONNECTIONS:
                return _Refusing(self.refused)
            handler = handlers()
            loop.call_later(BECOME_A_PAGE_WITHIN, self._hang_up_on, handler)
            return handler

        try:
            listener = await loop.create_server(
                answer,
                self.address.host,
                self.address.port,
                reuse_address=True,
                backlog=BACKLOG,
            )
        except OSError as error:
            await runner.cleanup()
            raise CommandError(
                f'cannot listen on {self.address.authority}: {error.strerror or error}; choose '
                'another --port, or an address that this computer has'
            ) from error
        port = listener.sockets[0].getsockname()[1]
        self.address = Address(self.address.host, port, self.address.token)
        stepping = asyncio.create_task(self._step())
        try:
            yield stepping
        finally:
            stepping.cancel()
            listener.close()
            await runner.cleanup()

    async def run(self, stop: asyncio.Event, began: Callable[[Address], None]) -> None:
        """Serve until an event is set; `began` is told the address.

        A house that fails ends it: a page whose frames stand still would look like a robot that
        does.
        """
        async with self.serving() as stepping:
            began(self.address)
            stopping = asyncio.create_task(stop.wait())
            await asyncio.wait({stopping, stepping}, return_when=asyncio.FIRST_COMPLETED)
            stopping.cancel()
            if stepping.done():
                await stepping

    async def _step(self) -> None:
        """Step the house, evenly; what was missed is left out."""
        loop = asyncio.get_running_loop()
        due = loop.time()
        while True:
            self.house.step()
            due = max(due + 1.0 / FRAMES_A_SECOND, loop.time())
            await asyncio.sleep(due - loop.time())

    def _hang_up_on(self, handler: Any) -> None:  # noqa: ANN401
        transport = handler.transport
        if transport is not None and transport not in self._known:
            self.refused['became no page in time'] += 1
            transport.close()

    # ---- requests

    @web.middleware
    async def _guard(
        self,
        request: web.Request,
        handler: Callable[[web.Request], Awaitable[web.StreamResponse]],
    ) -> web.StreamResponse:
        """Refuse who has come by another name."""
        if request.headers.getall('Host', []) not in [[each] for each in self.address.authorities]:
            return self._refuse('wrong Host', HTTPStatus.MISDIRECTED_REQUEST)
        try:
            return await handler(request)
        except web.HTTPException as error:
            return self._refuse(f'{error.status}', HTTPStatus(error.status))

    def _refuse(self, why: str, status: HTTPStatus) -> web.Response:
        self.refused[why] += 1
        return web.Response(status=status, text=f'{why}\n', headers=HEADERS)

    async def _hand_out(self, request: web.Request) -> web.StreamResponse:
        name = request.match_info.get('name', 'index.html')
        if name not in TYPES:
            return self._refuse('no such file', HTTPStatus.NOT_FOUND)
        packed = 'gzip' in request.headers.get('Accept-Encoding', '')
        body = (self._packed if packed else self._files)[name]
        headers = HEADERS | ({'Content-Encoding': 'gzip'} if packed else {})
        return web.Response(body=body, content_type=TYPES[name], charset='utf-8', headers=headers)

    async def _talk(self, request: web.Request) -> web.StreamResponse:
        own = {f'http://{each}' for each in self.address.authorities}
        if request.headers.getall('Origin', []) not in [[each] for each in own]:
            return self._refuse('wrong or missing Origin', HTTPStatus.FORBIDDEN)
        if self._unknown >= MOST_UNKNOWN or self._pages >= MOST_PAGES:
            return self._refuse('too many pages', HTTPStatus.SERVICE_UNAVAILABLE)
        line = web.WebSocketResponse(
            max_msg_size=LONGEST_MESSAGE, heartbeat=TAKES_WITHIN, compress=False
        )
        self._unknown += 1
        try:
            await line.prepare(request)
            known = await self._knows_token(line)
        finally:
            self._unknown -= 1
        if not known:
            self.refused['wrong token'] += 1
            await line.close(
                code=WSCloseCode.POLICY_VIOLATION, message=b'wrong token: open the printed address'
            )
            return line
        transport = request.transport
        self._known.add(transport)
        self._pages += 1
        try:
            await self._serve(line)
        finally:
            self._pages -= 1
            self._known.discard(transport)
        return line

    async def _knows_token(self, line: web.WebSocketResponse) -> bool:
        """Wait for the first message, and look whether it has the token."""
        try:
            first = await line.receive(timeout=TOKEN_WITHIN)
            message = read(first.data) if first.type is WSMsgType.TEXT else None
        except (TimeoutError, CommandError):
            return False
        return isinstance(message, Hello) and compare_digest(
            message.token.encode(errors='replace'), self.address.token.encode()
        )

    async def _serve(self, line: web.WebSocketResponse) -> None:
        """Carry messages both ways until the page is gone, or says what no page of ours says."""
        self._numbers += 1
        page = Page(self._numbers)
        self.house.come(page)
        sending = asyncio.create_task(self._send(line, page))
        try:
            why = await self._hear(line, page)
        finally:
            self.house.leave(page)
            sending.cancel()
        if why:
            self.refused[why.partition(':')[0]] += 1
            await line.close(code=WSCloseCode.POLICY_VIOLATION, message=why.encode()[:120])

    async def _hear(self, line: web.WebSocketResponse, page: Page) -> str:
        """Hear a page until it is gone; say why it is hung up on, if it is."""
        loop = asyncio.get_running_loop()
        since, count = loop.time(), 0
        async for each in line:
            count += 1
            if loop.time() - since > 1.0:
                since, count = loop.time(), 0
            if count > MOST_A_SECOND:
                return 'too many messages'
            if each.type is WSMsgType.ERROR:
                return 'a message that is broken or too long'
            if each.type is not WSMsgType.TEXT:
                return 'a message that is no text'
            try:
                message = read(each.data)
                if isinstance(message, Hello):
                    return 'a second token'
                self.house.take(page, message)
            except CommandError as error:
                return f'a message that is none: {error}'
        return ''

    async def _send(self, line: web.WebSocketResponse, page: Page) -> None:
        """Send what is said to a page; hang up where it does not take it."""
        try:
            while not page.overrun:
                for text in await page.fetch():
                    async with asyncio.timeout(TAKES_WITHIN):
                        await line.send_str(text)
        except ConnectionError:
            # It is gone by itself, which whoever hears it notices.
            return
        except TimeoutError:
            pass
        self.refused['took nothing'] += 1
        await line.close(code=WSCloseCode.TRY_AGAIN_LATER)
