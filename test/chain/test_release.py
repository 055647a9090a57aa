# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Release over ROS: off at once and off for good, obeyed however late; rearm is for now."""

import random
import signal
from collections.abc import Callable
from time import monotonic
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board import Record
from leg_kinematics.chain.power import PowerState
from leg_kinematics.nodes.taking_part.participant import NoAnswerError

if TYPE_CHECKING:
    from test.chain.conftest import Scene, StartChain

PRESSES = 4

#: For so long a call lies there unheard, s; an order may be a second old.
UNHEARD = 1.5


@pytest.fixture(scope='module')
def robot(start_shared_chain: 'StartChain') -> 'Scene':
    """Return a robot that stands."""
    scene = start_shared_chain()
    scene.operator.bring_up()
    scene.operator.stand()
    return scene


@pytest.fixture
def scene(robot: 'Scene') -> 'Scene':
    """Return the robot in mid-step."""
    robot.begin()
    robot.walk_into_a_step()
    return robot


def released(scene: 'Scene', since: float) -> list[Record]:
    """Give what happened at the board from its first release since a time on."""
    records = scene.log.records(since)
    return records[[record.event for record in records].index('release') :]


def test_from_the_call_to_the_last_pulse(scene: 'Scene', say: Callable[[str], None]) -> None:
    """When release is answered the pulses are off, and they stay off whatever is commanded."""
    rng = random.Random(5)
    operator = scene.operator
    delays = []
    for press in range(PRESSES):
        if press:
            operator.stand_again()
            scene.drive(rng.uniform(0.1, 1.2))
        pressed = monotonic()
        words = operator.call('bridge/release')
        answered = monotonic()
        assert 'has confirmed that its pulses are off' in words
        off = released(scene, pressed)[0].time
        assert off < answered
        delays.append(off - pressed)
        scene.drive(0.3)
        after = released(scene, pressed)
        assert {record.enabled for record in after} == {0}
        assert 'enable' not in {record.event for record in after}
        operator.rearm()
    say(f'release on the mock, from the call: {", ".join(f"{1e3 * d:.1f}" for d in delays)} ms')
    operator.stand_again()
    scene.walk_on()
    scene.assert_no_jump()


def test_orders_that_come_late(scene: 'Scene') -> None:
    """A rearm that lay there is refused, however long ago its caller gave it up; release is not."""
    operator = scene.operator
    bridge = scene.chain.nodes['bridge']
    bridge.send_signal(signal.SIGSTOP)
    late = operator.order('bridge/release')
    scene.drive(UNHEARD)
    bridge.send_signal(signal.SIGCONT)
    # The board may have to be found again first, since its answers lay there as well.
    operator.answer(late, 'bridge/release')
    operator.wait_for_power(PowerState.RELEASED)
    operator.spin(
        lambda: any(record.event == 'release' for record in scene.log.records(scene.since)),
        'a release at the board',
    )

    bridge.send_signal(signal.SIGSTOP)
    late = operator.order('bridge/rearm')
    scene.drive(UNHEARD)
    bridge.send_signal(signal.SIGCONT)
    answer = operator.answer(late, 'bridge/rearm')
    assert not answer.success
    assert 'refused: it was sent' in answer.message
    scene.drive(0.3)
    assert {record.enabled for record in released(scene, scene.since)} == {0}

    gait = scene.chain.nodes['gait']
    operator.rearm()
    operator.wait_for_power(PowerState.FOLLOWING)
    at_rest = scene.log.poses()[-1].time
    gait.send_signal(signal.SIGSTOP)
    late = operator.order('gait/stand')
    scene.drive(UNHEARD)
    gait.send_signal(signal.SIGCONT)
    assert not operator.answer(late, 'gait/stand').success
    with pytest.raises(NoAnswerError, match='call gait/stand first'):
        operator.call('gait/crouch')
    scene.see_still(at_rest)
    operator.stand_again()
    scene.walk_on()
    scene.assert_no_jump()
