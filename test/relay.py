# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A stretch of a TCP connection that a test can cut and mend, or make slow.

A cut keeps both connections and all that was sent, as a network does that comes back: it arrives
late. Losses in a network reach those who speak TCP as nothing but delays, too.
"""

import asyncio
import threading
from collections.abc import Callable, Coroutine
from types import TracebackType
from typing import Any, Self

CHUNK = 65536


class Relay:
    """Passes on what comes to an address of its own.

    Parameters
    ----------
    target
        Where it goes, as ADDRESS:PORT.
    delay
        Of the next chunk, s; asked for each.

    Attributes
    ----------
    address
        Where it listens.

    """

    def __init__(self, target: str, delay: Callable[[], float] = lambda: 0.0) -> None:
        """Pass on everything."""
        host, _, port = target.rpartition(':')
        self._target = host, int(port)
        self._delay = delay
        self._loop = asyncio.new_event_loop()
        self._whole = asyncio.Event()
        self._whole.set()
        self._pumps: set[asyncio.Task[None]] = set()
        self._thread = threading.Thread(target=self._loop.run_forever, name='relay')
        self._thread.start()
        self._server: asyncio.Server = self._do(asyncio.start_server(self._accept, '127.0.0.1', 0))
        self.address = f'127.0.0.1:{self._server.sockets[0].getsockname()[1]}'

    def __enter__(self) -> Self:
        """Be there."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Let go of everything."""
        self._do(self._end())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def cut(self) -> None:
        """Pass nothing on, and keep what comes."""
        self._loop.call_soon_threadsafe(self._whole.clear)

    def mend(self) -> None:
        """Pass on what was kept, and all that comes."""
        self._loop.call_soon_threadsafe(self._whole.set)

    def _do(self, work: Coroutine[Any, Any, Any]) -> Any:  # noqa: ANN401
        return asyncio.run_coroutine_threadsafe(work, self._loop).result()

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await self._whole.wait()
        try:
            far_reader, far_writer = await asyncio.open_connection(*self._target)
        except OSError:
            writer.close()
            return
        for source, sink in ((reader, far_writer), (far_reader, writer)):
            pump = self._loop.create_task(self._pump(source, sink))
            self._pumps.add(pump)
            pump.add_done_callback(self._pumps.discard)

    async def _pump(self, source: asyncio.StreamReader, sink: asyncio.StreamWriter) -> None:
        try:
            while chunk := await source.read(CHUNK):
                await asyncio.sleep(self._delay())
                await self._whole.wait()
                sink.write(chunk)
                await sink.drain()
        except OSError:
            # One side is gone: the other learns it below.
            return
        finally:
            sink.close()

    async def _end(self) -> None:
        self._server.close()
        for pump in tuple(self._pumps):
            pump.cancel()
        await asyncio.gather(*self._pumps, return_exceptions=True)
