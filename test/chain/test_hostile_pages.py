# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A robot walks on, and a page goes on showing it, whoever else comes to the server.

The same walk is measured without them and with them, in one run: whoever comes costs the processors
something by coming at all, wherever the server runs.
"""

import json
import subprocess
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from leg_kinematics.board import Record
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.taking_part.operator import Operator
from leg_kinematics.recording.walk import Walk, foot_errors
from leg_kinematics.view.messages import FRAMES_A_SECOND
from leg_kinematics.view.server import BACKLOG, MOST_CONNECTIONS

if TYPE_CHECKING:
    from test.chain.conftest import Scene, StartChain
    from test.served import Served, served
else:
    from served import served

VISITORS = Path(__file__).parents[1] / 'visitors.py'

#: Each of both stretches, s.
STRETCH = 20.0

#: Of a node in a stretch.
TICKS = 100.0 * STRETCH

#: Walks in a circle, and so anywhere for as long as it takes.
CIRCLE = Twist(0.06, 0.0, 0.3)

#: That may be missed more often beside hostile pages, as a share of all ticks.
MISSED_MORE = 0.01

#: By which the median latency may be longer, s: a period of the gait.
LATER = 0.01


@dataclass(frozen=True)
class Stretch:
    """A stretch of a walk.

    Attributes
    ----------
    begin, end
        On the monotonic clock, s.
    missed
        Ticks that each node has missed in it.
    visit
        What visitors told.
    share
        Of a processor that the server took.

    """

    begin: float
    end: float
    missed: dict[str, int]
    visit: dict[str, Any]
    share: float


def _missed(operator: Operator) -> dict[str, int]:
    """Ticks that each node has missed by now."""
    operator.values.clear()
    operator.drive(CIRCLE, 0.05, 'walking')
    while not {'gait', 'bridge'} <= operator.values.keys():
        operator.drive(CIRCLE, 0.05, 'walking')
    return {node: int(operator.values[node]['missed_ticks']) for node in ('gait', 'bridge')}


def _walk_beside(scene: 'Scene', page_of: 'Served', *others: str) -> Stretch:
    """Walk while somebody visits."""
    operator = scene.operator
    before, begin, spent = _missed(operator), monotonic(), page_of.processor_time
    command = [sys.executable, str(VISITORS), page_of.url, f'{STRETCH}', *others]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as visitors:
        operator.drive_until(CIRCLE, lambda: visitors.poll() is not None, 'the end of the visit')
        assert visitors.stdout is not None
        told = visitors.stdout.read()
    assert visitors.returncode == 0
    end = monotonic()
    after = _missed(operator)
    missed = {node: after[node] - before[node] for node in before}
    share = (page_of.processor_time - spent) / (end - begin)
    return Stretch(begin, end, missed, json.loads(told), share)


def _during(walk: Walk, stretch: Stretch) -> Walk:
    """Leave only the poses of a stretch."""
    within = (walk.pose_times >= stretch.begin) & (walk.pose_times <= stretch.end)
    return replace(
        walk,
        pose_times=walk.pose_times[within],
        pulses=walk.pulses[within],
        angles=walk.angles[within],
        told_feet=walk.told_feet[within],
    )


@pytest.mark.soak
@pytest.mark.timeout(600)
def test_a_robot_walks_on_beside_hostile_pages(
    start_chain: 'StartChain',
    walk_of: Callable[[Operator, Sequence[Record]], Walk],
    say: Callable[[str], None],
) -> None:
    """All of them are refused, and counted."""
    scene = start_chain()
    operator = scene.operator
    operator.bring_up()
    operator.stand()
    namespace = operator.node.get_namespace()
    with served(namespace) as earlier:
        old_token = earlier.url.rpartition('#')[2]
    scene.begin()
    with served(namespace) as page_of:
        scene.drive(2.0)
        stretches = {
            'nobody else': _walk_beside(scene, page_of),
            'hostile pages': _walk_beside(scene, page_of, 'hostile', old_token),
            'a crowd': _walk_beside(scene, page_of, 'crowd'),
        }
    operator.wait_for('gait', 'standing')
    walk = walk_of(operator, scene.log.records(scene.since))

    say('              missed ticks       latency, ms       worst foot  frames  server')
    say('              gait  bridge    p50     p99     max   error, mm     1/s  core, %')
    medians = []
    for name, each in stretches.items():
        feet = foot_errors(_during(walk, each))
        late, wrong = feet.latencies * 1e3, feet.errors.max() * 1e3
        medians.append(float(np.median(late)) / 1e3)
        say(
            f'{name:14}{each.missed["gait"]:4}{each.missed["bridge"]:8}{medians[-1] * 1e3:7.1f}'
            f'{np.percentile(late, 99):8.1f}{late.max():8.1f}{wrong:12.2f}'
            f'{each.visit["frames"] / STRETCH:8.1f}{each.share * 100:9.1f}'
        )
    quiet, *beset = stretches.values()
    came: dict[str, int] = {}
    refused: dict[str, int] = {}
    for each in beset:
        came |= each.visit['came']
        refused |= each.visit['refused']
    say(f'{"who came":28}{"times":>8}{"refused":>9}')
    for kind, count in came.items():
        say(f'{kind:28}{count:8}{refused[kind]:9}')
    say(f'the server: {page_of.told.strip().splitlines()[-1]}')

    # Those of a crowd that were taken are hung up on a while later.
    open_still = {kind: count - refused[kind] for kind, count in came.items()}
    assert open_still.pop('1000 connections') <= MOST_CONNECTIONS + BACKLOG
    assert set(open_still.values()) == {0}
    assert len(came) == 11
    reasons = (
        'Host',
        'Origin',
        'token',
        'too long',
        'no text',
        'none',
        'many messages',
        'many connections',
    )
    assert [why for why in reasons if why not in page_of.told] == []
    for each in beset:
        for node, count in each.missed.items():
            assert count <= quiet.missed[node] + MISSED_MORE * TICKS, node
        assert each.visit['frames'] >= 0.5 * FRAMES_A_SECOND * STRETCH
    assert max(medians) <= medians[0] + LATER
    scene.assert_no_jump()
