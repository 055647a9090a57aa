# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The server answers our page and nobody else, and counts whom it refuses."""

import asyncio
import gzip
import json
from collections.abc import Awaitable, Callable
from contextlib import suppress

import aiohttp
import pytest
import yarl

from leg_kinematics.errors import CommandError
from leg_kinematics.view import server as serving
from leg_kinematics.view.messages import LONGEST_MESSAGE, Arm, Frame, FromPage, Robot
from leg_kinematics.view.reading import written
from leg_kinematics.view.server import TYPES, Address, Page, Server

TOKEN = 'a-token'  # noqa: S105

HELLO = {'kind': 'hello', 'token': TOKEN}


class House:
    """Answers pages, and notes what they say."""

    def __init__(self) -> None:
        """Have nobody here."""
        self.pages: dict[int, Page] = {}
        self.heard: list[FromPage] = []
        self.steps = 0
        self.stepped = asyncio.Event()

    def come(self, page: Page) -> None:
        """Greet a page."""
        self.pages[page.number] = page
        page.say(Robot('bracken', '/', '', (), ()))

    def leave(self, page: Page) -> None:
        """Forget it."""
        del self.pages[page.number]

    def take(self, page: Page, message: FromPage) -> None:
        """Note what it says."""
        assert page.number in self.pages
        self.heard.append(message)

    def step(self) -> None:
        """Show a frame."""
        self.steps += 1
        self.stepped.set()
        for page in self.pages.values():
            page.show(written(Frame(at=float(self.steps))))


#: Sockets that are closed when a test ends.
OPENED: list[aiohttp.ClientWebSocketResponse] = []

Tried = Callable[[Server, House, aiohttp.ClientSession], Awaitable[None]]


def tried(what: Tried) -> Server:
    """Serve while something is tried."""

    async def run() -> Server:
        house = House()
        server = Server(house, Address('127.0.0.1', 0, TOKEN))
        async with server.serving(), aiohttp.ClientSession() as session:
            try:
                async with asyncio.timeout(30.0):
                    await what(server, house, session)
            finally:
                while OPENED:
                    await OPENED.pop().close()
        return server

    return asyncio.run(run())


def origin(server: Server) -> str:
    """Give what a browser says where the page comes from."""
    return f'http://{server.address.authority}'


async def opened(server: Server, session: aiohttp.ClientSession) -> aiohttp.ClientWebSocketResponse:
    """Open a socket as our page does."""
    line = await session.ws_connect(
        f'{origin(server)}/socket', headers={'Origin': origin(server)}, max_msg_size=0
    )
    OPENED.append(line)
    return line


async def greeted(
    server: Server, session: aiohttp.ClientSession
) -> aiohttp.ClientWebSocketResponse:
    """Do the same, and say the token."""
    line = await opened(server, session)
    await line.send_json(HELLO)
    assert (await line.receive_json())['kind'] == 'robot'
    return line


async def closed(line: aiohttp.ClientWebSocketResponse) -> int | None:
    """Wait for the end of a socket; give its code."""
    async for _ in line:
        pass
    return line.close_code


def test_the_page_is_handed_out_with_a_strict_policy() -> None:
    """Packed where a browser takes that; nothing is kept without asking anew."""

    async def what(server: Server, _: House, session: aiohttp.ClientSession) -> None:
        for name, kind in TYPES.items():
            path = '' if name == 'index.html' else name
            async with session.get(f'{origin(server)}/{path}') as answer:
                assert answer.status == 200
                assert answer.content_type == kind
                assert "default-src 'none'" in answer.headers['Content-Security-Policy']
                assert answer.headers['X-Content-Type-Options'] == 'nosniff'
                assert len(await answer.read()) > 100

    tried(what)


def test_all_of_the_page_is_below_200_kb_on_the_wire() -> None:
    """As it was asked for."""
    server = Server(House(), Address('127.0.0.1', 0, TOKEN))
    assert sum(len(gzip.compress(body, 9)) for body in server._files.values()) < 200_000  # noqa: SLF001


@pytest.mark.parametrize(
    'path', ['nothing', '..%2Fserver.py', '%2e%2e/server.py', 'built/page.js', 'page.js/', '.']
)
def test_nothing_else_is_handed_out(path: str) -> None:
    """Only names that are listed."""

    async def what(server: Server, _: House, session: aiohttp.ClientSession) -> None:
        url = yarl.URL(f'{origin(server)}/{path}', encoded=True)
        async with session.get(url) as answer:
            assert answer.status == 404

    tried(what)


@pytest.mark.parametrize('host', ['evil.example', '127.0.0.1', 'evil.example:80', 'localhost:1'])
def test_another_host_is_refused(host: str) -> None:
    """A foreign name that was made to lead here (DNS rebinding)."""

    async def what(server: Server, house: House, session: aiohttp.ClientSession) -> None:
        for path in ('', 'page.js', 'socket'):
            headers = {'Host': host, 'Origin': f'http://{host}'}
            async with session.get(f'{origin(server)}/{path}', headers=headers) as answer:
                assert answer.status == 421
        assert not house.pages

    assert tried(what).refused == {'wrong Host': 3}


def test_the_same_computer_by_its_other_name_is_served() -> None:
    """Both names lead to the loopback interface (RFC 6761)."""

    async def what(server: Server, house: House, session: aiohttp.ClientSession) -> None:
        host = f'localhost:{server.address.port}'
        line = await session.ws_connect(
            f'{origin(server)}/socket', headers={'Host': host, 'Origin': f'http://{host}'}
        )
        await line.send_json(HELLO)
        await line.receive_json()
        assert len(house.pages) == 1

    tried(what)


@pytest.mark.parametrize(
    'headers',
    [
        {},
        {'Origin': 'http://evil.example'},
        {'Origin': 'null'},
        {'Origin': ''},
        {'Origin': 'https://127.0.0.1'},
        {'Origin': 'http://127.0.0.1'},
        {'Origin': 'http://127.0.0.1.evil.example'},
    ],
)
def test_a_foreign_or_missing_origin_is_refused_before_the_upgrade(
    headers: dict[str, str],
) -> None:
    """Whatever token it would have (RFC 6455, 10.2)."""

    async def what(server: Server, house: House, session: aiohttp.ClientSession) -> None:
        with pytest.raises(aiohttp.WSServerHandshakeError) as caught:
            await session.ws_connect(f'{origin(server)}/socket', headers=headers)
        assert caught.value.status == 403
        assert not house.pages

    assert tried(what).refused == {'wrong or missing Origin': 1}


@pytest.mark.parametrize(
    'first',
    [
        json.dumps({'kind': 'hello', 'token': 'another'}),
        json.dumps({'kind': 'hello', 'token': ''}),
        json.dumps({'kind': 'hello', 'token': TOKEN + 'x'}),
        json.dumps({'kind': 'hello', 'token': '\ud800'}),
        json.dumps({'kind': 'order', 'order': 'release'}),
        'nothing',
    ],
)
def test_a_wrong_token_is_refused_with_the_reason(first: str) -> None:
    """And nothing was told or taken before."""

    async def what(server: Server, house: House, session: aiohttp.ClientSession) -> None:
        line = await opened(server, session)
        await line.send_str(first)
        told = await line.receive()
        assert (told.type, told.data) == (aiohttp.WSMsgType.CLOSE, 1008)
        assert 'wrong token' in str(told.extra)
        assert not house.heard

    assert tried(what).refused == {'wrong token': 1}


def test_a_token_that_does_not_come_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nor may it be the second message."""
    monkeypatch.setattr(serving, 'TOKEN_WITHIN', 0.05)

    async def what(server: Server, _: House, session: aiohttp.ClientSession) -> None:
        assert await closed(await opened(server, session)) == 1008

    tried(what)


BAD: dict[str, str | bytes] = {
    'no JSON': '{',
    'no kind': '{"kind": "jump"}',
    'bytes': b'{"kind": "arm"}',
    'the token again': json.dumps(HELLO),
}


@pytest.mark.parametrize('case', BAD)
def test_what_no_page_of_ours_says_ends_the_connection(case: str) -> None:
    """The others go on."""

    async def what(server: Server, house: House, session: aiohttp.ClientSession) -> None:
        bystander = await greeted(server, session)
        line = await greeted(server, session)
        said = BAD[case]
        await (line.send_bytes(said) if isinstance(said, bytes) else line.send_str(said))
        assert await closed(line) == 1008
        assert not house.heard
        await bystander.send_json({'kind': 'arm'})
        while not house.heard:
            assert json.loads((await bystander.receive()).data)['kind'] == 'frame'
        assert house.heard == [Arm()]

    assert tried(what).refused.total() == 1


def test_what_is_too_long_ends_the_connection() -> None:
    """Without being read (RFC 6455, code 1009)."""

    async def what(server: Server, _: House, session: aiohttp.ClientSession) -> None:
        line = await greeted(server, session)
        await line.send_str('x' * (LONGEST_MESSAGE + 1))
        assert await closed(line) == 1009

    assert tried(what).refused == {'a message that is broken or too long': 1}


def test_who_talks_without_end_is_hung_up_on() -> None:
    """A page says some 60 messages a second when somebody drives."""

    async def what(server: Server, _: House, session: aiohttp.ClientSession) -> None:
        line = await greeted(server, session)
        with suppress(ConnectionError):
            for _each in range(2000):
                await line.send_json({'kind': 'arm'})
        assert await closed(line) == 1008

    assert tried(what).refused == {'too many messages': 1}


def test_pages_are_bounded_and_a_place_becomes_free(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever leaves makes room."""
    monkeypatch.setattr(serving, 'MOST_PAGES', 2)

    async def what(server: Server, house: House, session: aiohttp.ClientSession) -> None:
        lines = [await greeted(server, session) for _ in range(2)]
        with pytest.raises(aiohttp.WSServerHandshakeError) as caught:
            await opened(server, session)
        assert caught.value.status == 503
        await lines[0].close()
        while len(house.pages) == 2:
            house.stepped.clear()
            await house.stepped.wait()
        await greeted(server, session)

    tried(what)


def test_a_thousand_connections_take_no_place_from_a_page() -> None:
    """All but a few are hung up on, and frames go on."""

    async def what(server: Server, house: House, session: aiohttp.ClientSession) -> None:
        line = await greeted(server, session)

        # Client and server share the files that a process may have open.
        at_a_time = asyncio.Semaphore(200)

        async def hostile() -> None:
            async with at_a_time:
                with suppress(ConnectionError):
                    await stay()

        async def stay() -> None:
            reader, writer = await asyncio.open_connection('127.0.0.1', server.address.port)
            try:
                writer.write(b'GET / HTTP/1.1\r\nHost: ')
                await reader.read()
            finally:
                writer.transport.abort()

        attack = [asyncio.create_task(hostile()) for _ in range(1000)]
        most = serving.MOST_CONNECTIONS + serving.BACKLOG + 1
        while server.refused['too many connections'] < 1000 - most:
            assert json.loads((await line.receive()).data)['kind'] == 'frame'
        before = house.steps
        while json.loads((await line.receive()).data)['at'] <= before:
            pass
        for each in attack:
            each.cancel()
        await asyncio.wait(attack)
        await line.close()

    tried(what)


def test_whoever_becomes_no_page_is_hung_up_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """A page stays."""
    monkeypatch.setattr(serving, 'BECOME_A_PAGE_WITHIN', 0.2)

    async def what(server: Server, _: House, session: aiohttp.ClientSession) -> None:
        line = await greeted(server, session)
        reader, writer = await asyncio.open_connection('127.0.0.1', server.address.port)
        assert await reader.read() == b''
        writer.close()
        assert json.loads((await line.receive()).data)['kind'] == 'frame'
        await line.close()

    assert tried(what).refused == {'became no page in time': 1}


def test_a_slow_page_misses_frames_and_nothing_else() -> None:
    """The latest frame only; what was said comes in its order."""

    async def what() -> None:
        page = Page(1)
        for number in range(5):
            page.show(f'frame {number}')
            page.say(Arm())  # type: ignore[arg-type]
        assert await page.fetch() == [written(Arm())] * 5 + ['frame 4']  # type: ignore[arg-type]

    asyncio.run(what())


def test_a_page_that_takes_nothing_is_left() -> None:
    """It may not grow without end."""
    page = Page(1)
    for _ in range(serving.MOST_WAITING + 1):
        page.say(Arm())  # type: ignore[arg-type]
    assert page.overrun


def test_a_house_that_fails_ends_the_server() -> None:
    """Nobody is left with a page that stands still."""

    class Failing(House):
        def step(self) -> None:
            """Fail at the third step."""
            super().step()
            if self.steps == 3:
                raise ZeroDivisionError

    server = Server(Failing(), Address('127.0.0.1', 0, TOKEN))
    with pytest.raises(ZeroDivisionError):
        asyncio.run(asyncio.wait_for(server.run(asyncio.Event(), lambda _: None), 30.0))


def test_an_address_that_cannot_be_had_is_told() -> None:
    """With what helps: 192.0.2.1 is nobody's (RFC 5737)."""
    server = Server(House(), Address('192.0.2.1', 0, TOKEN))

    async def what() -> None:
        async with server.serving():
            pass

    with pytest.raises(CommandError, match='choose another --port'):
        asyncio.run(what())


def test_the_token_is_in_the_fragment_of_the_address() -> None:
    """Which browsers keep to themselves (RFC 9110, 7.1)."""
    assert Address('127.0.0.1', 8460, TOKEN).url == f'http://127.0.0.1:8460/#{TOKEN}'
    assert Address('fd00::1', 80, TOKEN).url == f'http://[fd00::1]/#{TOKEN}'
