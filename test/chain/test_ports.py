# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The line between bridge and board breaks in mid-step; the board keeps its power meanwhile."""

from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.chain.power import PowerState

if TYPE_CHECKING:
    from test.cable import Cable
    from test.chain.conftest import Scene, StartChain


@pytest.fixture(scope='module')
def cabled(
    start_shared_chain: 'StartChain',
    lay_cable: 'Callable[[Path, Path], Cable]',
    tmp_path_factory: pytest.TempPathFactory,
) -> 'Iterator[tuple[Scene, Cable]]':
    """Return a robot that stands, and the cable between its bridge and its board."""
    end = tmp_path_factory.mktemp('cable') / 'board'
    scene = start_shared_chain(bridge={'boards': f"['main=framed:{end}']"})
    with closing(lay_cable(scene.chain.link, end)) as cable:
        scene.operator.bring_up()
        scene.operator.stand()
        yield scene, cable


def test_the_cable_is_out(cabled: 'tuple[Scene, Cable]') -> None:
    """The board holds; the bridge finds it again under its name, and the walk goes on."""
    scene, cable = cabled
    scene.begin()
    scene.walk_into_a_step()
    cable.pull()
    scene.until(
        lambda: (
            [r.detail for r in scene.log.records(scene.since) if r.event == 'silence'] == ['hold']
        ),
        'the board holding by itself',
    )
    assert scene.operator.report is not None
    assert scene.operator.report.state is PowerState.LOST
    losses = scene.operator.report.losses
    cable.plug()
    scene.walk_on()
    assert scene.operator.report.losses == losses
    assert 'enable' not in {record.event for record in scene.log.records(scene.since)}
    scene.assert_no_jump()


def test_a_line_that_takes_no_more(cabled: 'tuple[Scene, Cable]') -> None:
    """Half a frame gets through; the board makes nothing of it, and the walk goes on later."""
    scene, cable = cabled
    scene.begin()
    scene.walk_into_a_step()
    cable.jam()
    scene.until(lambda: cable.jammed, 'half a frame')
    scene.operator.wait_for_power(PowerState.LOST)
    cable.free()
    scene.walk_on()
    events = {record.event for record in scene.log.records(scene.since)}
    assert 'bad' in events
    assert not events & {'enable', 'refused'}
    scene.assert_no_jump()
