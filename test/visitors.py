# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Visitors of a page in a process of their own: one that looks, and many that mean no good.

``python visitors.py URL SECONDS`` looks for so many seconds and prints, as JSON, what came: frames
and bytes. With ``crowd`` behind it a thousand connections are opened meanwhile, and with ``hostile
OLD_TOKEN`` others come that mean no good, each in its way again and again; then it is printed as
well how often each came, and how often it was refused.
"""

import asyncio
import json
import sys
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field

import aiohttp

#: Each kind comes so often, 1/s: more would be a load on the processors by themselves.
A_SECOND = 10.0

#: Connections that say nothing, or the beginning of a request, held open all together.
MANY = 1000

#: How a server closes that refuses (RFC 6455, 7.4.1): policy violation, message too big.
POLICY_VIOLATION, TOO_BIG = 1008, 1009


@dataclass
class Visit:
    """What came of visits.

    Attributes
    ----------
    frames, size
        That the one who looks was shown, and the bytes of all that it was told.
    came, refused
        How often each kind of the others came, and was refused.

    """

    frames: int = 0
    size: int = 0
    came: dict[str, int] = field(default_factory=dict)
    refused: dict[str, int] = field(default_factory=dict)


class Server:
    """The server that is visited.

    Parameters
    ----------
    url
        Of the page, with its token.
    session
        Of the client.

    """

    def __init__(self, url: str, session: aiohttp.ClientSession) -> None:
        """Know the address."""
        self.origin, _, self.token = url.rpartition('/#')
        self._session = session

    async def greet(self, token: str, **headers: str) -> aiohttp.ClientWebSocketResponse:
        """Open a socket, and say a token."""
        given = {'Origin': self.origin} | headers
        line = await self._session.ws_connect(
            f'{self.origin}/socket',
            headers={key: value for key, value in given.items() if value},
            max_msg_size=0,
        )
        await line.send_json({'kind': 'hello', 'token': token})
        return line

    async def is_refused(self, token: str, *said: str | bytes, **headers: str) -> bool:
        """Say things, and tell whether the server has refused them."""
        try:
            line = await self.greet(token, **headers)
        except aiohttp.WSServerHandshakeError as error:
            return 400 <= error.status < 500
        async with line:
            with suppress(ConnectionError):
                for each in said:
                    await (
                        line.send_bytes(each) if isinstance(each, bytes) else line.send_str(each)
                    )
            async for _ in line:
                pass
            return line.close_code in {POLICY_VIOLATION, TOO_BIG}


def kinds(server: Server, old_token: str) -> Mapping[str, Callable[[], Awaitable[bool]]]:
    """Give all that mean no good; each tells whether it was refused."""
    token, release = server.token, '{"kind": "order", "order": "release"}'
    return {
        'foreign Origin': lambda: server.is_refused(token, release, Origin='http://evil.example'),
        'no Origin': lambda: server.is_refused(token, release, Origin=''),
        'foreign Host': lambda: server.is_refused(
            token, release, Host='evil.example', Origin='http://evil.example'
        ),
        'guessed token': lambda: server.is_refused('guessed', release),
        'token of an earlier server': lambda: server.is_refused(old_token, release),
        'the token once more': lambda: server.is_refused(
            token, json.dumps({'kind': 'hello', 'token': token}), release
        ),
        'too long': lambda: server.is_refused(token, 'x' * 1_000_000),
        'no message': lambda: server.is_refused(token, '{"kind": "hold", "press": "1"}'),
        'no text': lambda: server.is_refused(token, b'\0\xff' * 500),
        'messages without end': lambda: server.is_refused(token, *['{"kind": "arm"}'] * 1000),
    }


async def look(server: Server, visit: Visit) -> None:
    """Look, as a page does."""
    line = await server.greet(server.token)
    async for each in line:
        visit.size += len(each.data)
        visit.frames += each.data.endswith('"kind":"frame"}')


async def come(name: str, kind: Callable[[], Awaitable[bool]], visit: Visit) -> None:
    """Come again and again."""
    while True:
        try:
            refused = await kind()
        except (aiohttp.ClientError, ConnectionError):
            # Hung up on: there are more connections than the server takes.
            refused = True
        visit.came[name] = visit.came.get(name, 0) + 1
        visit.refused[name] = visit.refused.get(name, 0) + refused
        await asyncio.sleep(1.0 / A_SECOND)


async def crowd(server: Server, visit: Visit) -> None:
    """Open connections until there are a thousand, and again whenever they are hung up on."""
    host, _, port = server.origin.removeprefix('http://').rpartition(':')
    name = f'{MANY} connections'

    async def one() -> None:
        with suppress(ConnectionError):
            reader, writer = await asyncio.open_connection(host, int(port))
            visit.came[name] = visit.came.get(name, 0) + 1
            writer.write(b'GET / HTTP/1.1\r\nHost: ')
            with suppress(ConnectionError):
                await reader.read()
            visit.refused[name] = visit.refused.get(name, 0) + 1
            writer.close()

    while True:
        await asyncio.gather(*(one() for _ in range(MANY)))
        await asyncio.sleep(1.0)


async def visit(url: str, seconds: float, others: str = '', old_token: str = '') -> Visit:
    """Visit for a while."""
    found = Visit()
    async with aiohttp.ClientSession() as session:
        server = Server(url, session)
        tasks = [asyncio.create_task(look(server, found))]
        if others == 'hostile':
            tasks += [
                asyncio.create_task(come(name, kind, found))
                for name, kind in kinds(server, old_token).items()
            ]
        if others == 'crowd':
            tasks.append(asyncio.create_task(crowd(server, found)))
        done, _ = await asyncio.wait(tasks, timeout=seconds, return_when=asyncio.FIRST_COMPLETED)
        for each in done:
            await each
            raise RuntimeError('the one who looks was hung up on')
        for each in tasks:
            each.cancel()
        await asyncio.wait(tasks)
    return found


if __name__ == '__main__':
    result = asyncio.run(visit(sys.argv[1], float(sys.argv[2]), *sys.argv[3:]))
    print(json.dumps(vars(result)))
