# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A browser for these tests."""

import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, sync_playwright

from leg_kinematics.view.messages import ToPage

if TYPE_CHECKING:
    from test.stand_in import StandIn
else:
    from stand_in import StandIn

#: Draws by the processor, and asks nobody for anything but our pages.
OPTIONS = (
    '--no-sandbox',
    '--use-angle=swiftshader',
    '--enable-unsafe-swiftshader',
    '--disable-quic',
    '--no-first-run',
    '--disable-background-networking',
    '--disable-component-update',
    '--disable-sync',
)

WIDE: ViewportSize = {'width': 1280, 'height': 720}
PHONE: ViewportSize = {'width': 390, 'height': 844}

Opened = Callable[..., StandIn]


@pytest.fixture(scope='module')
def browser() -> Iterator[Browser]:
    """Start the browser of the system once for a file of tests."""
    found = shutil.which('chromium')
    if found is None:
        pytest.skip('Chromium is absent')
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=Path(found), args=[*OPTIONS], chromium_sandbox=False
        )
        yield browser
        browser.close()


@pytest.fixture
def opened(browser: Browser) -> Iterator[Opened]:
    """Open pages, each with a stand-in for its server; no page may have complained in the end."""
    with ExitStack() as stack:
        servers: list[StandIn] = []

        def open_page(*greeting: ToPage, dark: bool = False, phone: bool = False) -> StandIn:
            context = browser.new_context(
                viewport=PHONE if phone else WIDE,
                color_scheme='dark' if dark else 'light',
                has_touch=phone,
                is_mobile=phone,
            )
            stack.callback(context.close)
            page: Page = context.new_page()
            server = StandIn(page, *greeting)
            server.open()
            servers.append(server)
            return server

        yield open_page
        assert [server.faults for server in servers] == [[] for _ in servers]
