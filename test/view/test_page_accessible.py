# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The page can be used by people who see, hear or move otherwise."""

from typing import TYPE_CHECKING

import pytest

from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import Level
from leg_kinematics.view.messages import (
    BoardStatus,
    Event,
    Events,
    Frame,
    Mark,
    NodeStatus,
    Playback,
    Recording,
    Statuses,
    ToPage,
    TopicStatus,
)

if TYPE_CHECKING:
    from test.installed_page import node_modules
    from test.shown_bench import LEADING, angle
    from test.shown_design import DOUBTS, PICTURES, REPORT, WRONG
    from test.shown_walk import shown_walk
    from test.stand_in import armed, offered
    from test.view.conftest import Opened
else:
    from installed_page import node_modules
    from shown_bench import LEADING, angle
    from shown_design import DOUBTS, PICTURES, REPORT, WRONG
    from shown_walk import shown_walk
    from stand_in import armed, offered

    Opened = object

STATUSES = Statuses(
    nodes=(
        NodeStatus('gait', Level.OK, 'walking', 'walking: tripod', {}, 1.0),
        NodeStatus('bridge', Level.ERROR, 'released', 'released: somebody asked for it', {}, 1.0),
    ),
    boards=(BoardStatus('main', 'connected', 6.1, low_voltage=True, counters={'bad_frames': 3}),),
    topics=(
        TopicStatus('joint_states', 100.0, 0.0007, 0, 0.004),
        TopicStatus('cmd_vel', 0.0, None, 0, None),
    ),
)

EVENTS = Events(
    (
        Event(1.0, 'gait', Level.OK, 'walking'),
        Event(2.0, 'kinematics', Level.WARN, 'left_front: 0.231 m is beyond 0.160 m'),
        Event(3.0, 'bridge', Level.ERROR, 'released'),
    )
)

RECORDED: tuple[ToPage, ...] = (
    Recording('walk.mcap', 40.0, (Mark(3.0, stop=True, words='released'),)),
    Playback(playing=True, speed=1.0),
)


@pytest.mark.parametrize(
    ('state', 'small'),
    [
        # The other halves in long runs.
        pytest.param('armed', False, id='armed, wide and light'),
        pytest.param('armed', True, id='armed, phone and dark'),
        pytest.param('offered', False, id='offered, wide and light', marks=pytest.mark.soak),
        pytest.param('offered', True, id='offered, phone and dark'),
        pytest.param('recorded', False, id='recorded, wide and light'),
        pytest.param('recorded', True, id='recorded, phone and dark', marks=pytest.mark.soak),
        pytest.param('unheard', False, id='unheard, wide and light', marks=pytest.mark.soak),
        pytest.param('unheard', True, id='unheard, phone and dark'),
        pytest.param('reported', False, id='reported, wide and light'),
        pytest.param('reported', True, id='reported, phone and dark', marks=pytest.mark.soak),
        pytest.param('wrong', False, id='wrong, wide and light', marks=pytest.mark.soak),
        pytest.param('wrong', True, id='wrong, phone and dark'),
        pytest.param('asked', False, id='asked, wide and light', marks=pytest.mark.soak),
        pytest.param('asked', True, id='asked, phone and dark'),
    ],
)
def test_an_audit_finds_nothing(opened: Opened, state: str, *, small: bool) -> None:
    """axe-core, with all its rules of WCAG 2.2 AA and its best practices."""
    robot, frames = shown_walk()
    more: dict[str, tuple[ToPage, ...]] = {
        'armed': (armed(),),
        'offered': (offered(),),
        'recorded': RECORDED,
        'unheard': (),
        'reported': (DOUBTS, REPORT, PICTURES),
        'wrong': (DOUBTS, REPORT, PICTURES, WRONG),
        'asked': (angle(), LEADING),
    }
    server = opened(robot, STATUSES, EVENTS, *more[state], dark=small, phone=small)
    frame = frames[3]
    if state == 'unheard':
        frame = Frame(at=1.0, power=PowerState.LOST)
    server.show(frame)
    server.page.wait_for_function(
        "document.getElementById('power-state').textContent !== 'not heard'"
    )
    # As a file of the test, not of the page, whose policy would refuse it.
    audit = (node_modules() / 'axe-core' / 'axe.min.js').read_text(encoding='utf-8')
    server.page.evaluate(f'() => {{ {audit} }}')
    found = server.page.evaluate('axe.run()')
    broken = [
        f'{each["id"]} ({each["impact"]}): {[node["html"] for node in each["nodes"]]}'
        for each in found['violations']
    ]
    assert broken == []
    assert len(found['passes']) > 20
