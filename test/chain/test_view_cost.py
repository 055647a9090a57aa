# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What it costs to show a walk on one page, and whether anything grows meanwhile.

Set MINUTES to watch for longer than five.
"""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import ViewportSize

from leg_kinematics.gait import Twist
from leg_kinematics.view.messages import FRAMES_A_SECOND

if TYPE_CHECKING:
    from test.browser import chromium, draw_little
    from test.chain.conftest import StartChain
    from test.served import served
else:
    from browser import chromium, draw_little
    from served import served

MINUTES = float(os.environ.get('MINUTES', '5'))

VISITORS = Path(__file__).parents[1] / 'visitors.py'

WINDOW: ViewportSize = {'width': 640, 'height': 480}

#: Walks in a circle, and so anywhere for as long as it takes.
CIRCLE = Twist(0.06, 0.0, 0.3)

#: Bytes are counted for so long, s.
COUNTED = 10.0

#: Memory is looked at so often in all; what the first part of the time takes is left out.
LOOKS = 10

#: Of a processor, by the server: its frames for one page, and all that it hears.
MOST_SHARE = 0.02

#: Of the server and of what the page's scripts keep, bytes, after the first part of the time.
MOST_GROWTH = 2_000_000


@pytest.mark.soak
@pytest.mark.timeout(int(MINUTES * 120) + 600)
def test_to_show_a_walk_costs_little_and_nothing_grows(
    start_chain: 'StartChain', say: Callable[[str], None]
) -> None:
    """One page, 18 joints; the time of the processor is that of all threads of the server."""
    scene = start_chain()
    operator = scene.operator
    operator.bring_up()
    operator.stand()
    with served(operator.node.get_namespace()) as page_of, chromium() as browser:
        page = browser.new_page(viewport=WINDOW)
        page.goto(page_of.url)
        draw_little(page)
        session = page.context.new_cdp_session(page)

        def kept() -> int:
            session.send('HeapProfiler.collectGarbage')
            return int(session.send('Runtime.getHeapUsage')['usedSize'])

        def drawn() -> tuple[int, int]:
            told = page.evaluate('legKinematics.drawn()')
            return int(told['frames']), int(told['pictures'])

        operator.drive(CIRCLE, 2.0, 'walking')
        (frames, pictures), spent, began = drawn(), page_of.processor_time, monotonic()
        sizes = []
        for _ in range(LOOKS):
            operator.drive(CIRCLE, 60.0 * MINUTES / LOOKS, 'walking')
            operator.forget()
            sizes.append((page_of.memory, kept()))
        seconds = monotonic() - began
        share = (page_of.processor_time - spent) / seconds
        more_frames, more_pictures = (
            now - then for now, then in zip(drawn(), (frames, pictures), strict=True)
        )
        command = [sys.executable, str(VISITORS), page_of.url, f'{COUNTED}']
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as visitor:
            operator.drive_until(CIRCLE, lambda: visitor.poll() is not None, 'the end of the visit')
            assert visitor.stdout is not None
            size = json.loads(visitor.stdout.read())['size'] / COUNTED

    growth = tuple(last - first for first, last in zip(sizes[0], sizes[-1], strict=True))
    say(f'one page, {seconds / 60.0:.1f} min: {share:.2%} of a processor for the server')
    say(
        f'{size / 1e3:.1f} kB/s to a page, {more_frames / seconds:.1f} frames a second came, '
        f'{more_pictures / seconds:.1f} were drawn'
    )
    say(
        f'memory of the server {sizes[0][0] / 1e6:.1f} MB and {growth[0] / 1e3:+.0f} kB, of the '
        f"page's scripts {sizes[0][1] / 1e6:.1f} MB and {growth[1] / 1e3:+.0f} kB"
    )
    assert share <= MOST_SHARE
    assert more_frames / seconds >= 0.9 * FRAMES_A_SECOND
    assert max(growth) <= MOST_GROWTH
