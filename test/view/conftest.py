# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A browser for these tests."""

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import Browser, Page, ViewportSize

from leg_kinematics.view.messages import ToPage

if TYPE_CHECKING:
    from test.browser import chromium
    from test.stand_in import TOKEN, StandIn
else:
    from browser import chromium
    from stand_in import TOKEN, StandIn

WIDE: ViewportSize = {'width': 1280, 'height': 720}
PHONE: ViewportSize = {'width': 390, 'height': 844}

Opened = Callable[..., StandIn]


@pytest.fixture(scope='module')
def browser() -> Iterator[Browser]:
    """Start the browser once for a file of tests."""
    with chromium() as browser:
        yield browser


@pytest.fixture
def opened(browser: Browser) -> Iterator[Opened]:
    """Open pages, each with a stand-in for its server; no page may have complained in the end."""
    with ExitStack() as stack:
        servers: list[StandIn] = []

        def open_page(
            *greeting: ToPage, dark: bool = False, phone: bool = False, token: str = TOKEN
        ) -> StandIn:
            context = browser.new_context(
                viewport=PHONE if phone else WIDE,
                color_scheme='dark' if dark else 'light',
                has_touch=phone,
                is_mobile=phone,
            )
            stack.callback(context.close)
            page: Page = context.new_page()
            server = StandIn(page, *greeting)
            stack.callback(server.stop)
            servers.append(server)
            server.open(token)
            return server

        yield open_page
        assert [server.faults for server in servers] == [[] for _ in servers]
