# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Chromium, without a screen."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

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
def chromium(command: Path | None = None) -> Iterator[Browser]:
    """Start the browser of the system, or what starts it; skip the test where there is none."""
    found = shutil.which('chromium' if command is None else command)
    if found is None:
        pytest.skip('Chromium is absent')
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=Path(found), args=[*OPTIONS], chromium_sandbox=False
        )
        yield browser
        browser.close()


def draw_little(page: Page) -> None:
    """Have the scene drawn in the size of a stamp: the processors are those of the robot, too.

    Nobody drives a page that draws no picture within the time that a driver may be silent.
    """
    page.evaluate(
        "Object.assign(document.getElementById('stage').style, "
        "{ height: '40px', minHeight: '40px', width: '60px', flex: 'none' })"
    )
