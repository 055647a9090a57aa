# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Options of the commands that show a page, and the page until Ctrl-C."""

import asyncio
import io
import signal
import webbrowser
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import wraps
from ipaddress import ip_address
from secrets import token_urlsafe
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

if TYPE_CHECKING:
    from leg_kinematics.view.server import Address, House

Command = TypeVar('Command', bound=Callable[..., Any])

LOOPBACK = '127.0.0.1'

PORT = 8460

#: Characters of a token stand for six bits each.
TOKEN_BYTES = 16

#: Between two looks whether it has ended by itself, s.
LOOK_EVERY = 0.1

LAN_CAUTION = (
    'Everybody who sees this code, or listens on this network, can {may}: the line is not '
    'encrypted. Use a network whose users you know.'
)


def page_options(command: Command) -> Command:
    """Give a command the options `lan`, `port` and `browser`."""
    for option in reversed(
        (
            click.option(
                '--lan',
                metavar='ADDRESS',
                callback=_address_of,
                help='Listen on this address of this computer, for a phone, instead of for this '
                'computer alone; shows the address of the page as a QR code.',
            ),
            click.option(
                '--port',
                type=click.IntRange(0, 65535),
                default=PORT,
                show_default=True,
                help='Of the page; 0: any.',
            ),
            click.option(
                '--browser', is_flag=True, help='Open the page in the browser of this computer.'
            ),
        )
    ):
        command = option(command)
    return command


@dataclass(frozen=True)
class PageOptions:
    """Where a page is served.

    Attributes
    ----------
    lan, port, browser
        As the options have them.

    """

    lan: str | None
    port: int
    browser: bool


def asked_on_page(command: Command) -> Command:
    """Give a command `page`: `PageOptions` where its questions are asked on a page, or None."""

    @wraps(command)
    def with_page(*, page: bool, lan: str | None, port: int, browser: bool, **given: object) -> Any:  # noqa: ANN401
        if not page and (lan is not None or browser):
            raise click.UsageError('--lan and --browser are for a page: add --page')
        return command(page=PageOptions(lan, port, browser) if page else None, **given)

    option = click.option(
        '--page', is_flag=True, help='Ask on a page in a browser instead of in the terminal.'
    )
    return cast('Command', option(page_options(with_page)))


def serve_page(
    house: 'House',
    *,
    lan: str | None,
    port: int,
    browser: bool,
    may: str,
    caution: str = '',
    ended: Callable[[], bool] = lambda: False,
) -> None:
    """Serve a house until Ctrl-C, SIGTERM or the end of the terminal, and tell who was refused.

    Parameters
    ----------
    house
        Who answers pages.
    lan, port, browser
        As the options have them.
    may
        What whoever has the address can do.
    caution
        To be said first.
    ended
        Whether there is nothing to be served any more.

    Raises
    ------
    LegKinematicsError
        The address cannot be had, or a package is missing.

    """
    # Imported here: --help shall not wait for it.
    from leg_kinematics.view.server import Address, Server  # noqa: PLC0415

    def tell(address: 'Address') -> None:
        if caution:
            click.echo(caution, err=True)
        if lan is not None:
            click.echo(LAN_CAUTION.format(may=may), err=True)
            click.echo(_code(address.url), err=True)
        click.echo(address.url)
        click.echo('Ctrl-C ends it.', err=True)
        if browser:
            webbrowser.open(address.url)

    server = Server(house, Address(lan or LOOPBACK, port, token_urlsafe(TOKEN_BYTES)))
    asyncio.run(_until_stopped(lambda stop: server.run(stop, tell), ended))
    if server.refused:
        counts = ', '.join(f'{why} {count}' for why, count in sorted(server.refused.items()))
        click.echo(f'Refused: {counts}.', err=True)


async def _until_stopped(
    run: Callable[[asyncio.Event], Awaitable[None]], ended: Callable[[], bool]
) -> None:
    stop = asyncio.Event()

    async def watch() -> None:
        while not (stop.is_set() or ended()):
            with suppress(TimeoutError):
                await asyncio.wait_for(stop.wait(), LOOK_EVERY)
        stop.set()

    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        asyncio.get_running_loop().add_signal_handler(number, stop.set)
    await asyncio.gather(run(stop), watch())


def _address_of(context: click.Context, option: click.Parameter, text: str | None) -> str | None:
    del context, option
    try:
        return None if text is None else str(ip_address(text))
    except ValueError as error:
        raise click.BadParameter(
            f'{text!r} is no IP address: give one of this computer, as `ip address` lists them'
        ) from error


def _code(text: str) -> str:
    """Draw a QR code (ISO/IEC 18004) for a terminal."""
    # Imported here: most pages are opened on the same computer.
    import segno  # noqa: PLC0415

    drawn = io.StringIO()
    segno.make(text, micro=False).terminal(drawn, compact=True)
    return drawn.getvalue()
