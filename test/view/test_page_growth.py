# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The page stays as it is, however long it is looked at."""

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.chain.values import Level
from leg_kinematics.view.messages import FRAMES_A_SECOND, Event, Events

if TYPE_CHECKING:
    from test.shown_walk import shown_walk
    from test.stand_in import WATCHED_ONLY, StandIn
    from test.view.conftest import Opened
else:
    from shown_walk import shown_walk
    from stand_in import WATCHED_ONLY, StandIn

    Opened = object

#: Of what the page keeps, from the tenth part of the time on, bytes: half a percent of it.
MOST_GROWTH = 100_000


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_nothing_grows(opened: Opened) -> None:
    """An hour of frames, told as fast as they are drawn, and an event a second."""
    robot, frames = shown_walk()
    server = opened(robot, WATCHED_ONLY)
    total = 3600 * FRAMES_A_SECOND
    sizes = []
    for count in range(1, total + 1):
        frame = replace(frames[count % len(frames)], at=count / FRAMES_A_SECOND)
        if count % FRAMES_A_SECOND == 0:
            server.say(Events((Event(frame.at, 'gait', Level.WARN, f'left_front: {count}'),)))
        if count % 10:
            server.say(frame)
        else:
            server.show(frame)
        if count % (total // 10) == 0:
            sizes.append(kept(server))
    assert sizes[-1][1] == sizes[0][1]
    assert sizes[-1][0] - sizes[0][0] < MOST_GROWTH, sizes


def kept(server: StandIn) -> tuple[int, int]:
    """Give the bytes of what the page's scripts keep, and the shapes of the scene."""
    session = server.page.context.new_cdp_session(server.page)
    session.send('HeapProfiler.collectGarbage')
    used = session.send('Runtime.getHeapUsage')['usedSize']
    session.detach()
    return int(used), int(server.page.evaluate('legKinematics.drawn().geometries'))
