# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Chromium, without a screen."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

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


@contextmanager
def chromium() -> Iterator[Browser]:
    """Start the browser of the system; skip the test where there is none."""
    found = shutil.which('chromium')
    if found is None:
        pytest.skip('Chromium is absent')
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=Path(found), args=[*OPTIONS], chromium_sandbox=False
        )
        yield browser
        browser.close()
