# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A process that stops, dies or comes back in the middle of a step: the servos hold meanwhile.

One robot walks through all of it. The walk goes on by itself where the robot kept its power and
whoever walks it is still there; otherwise it stays where it is until a person calls.
"""

import signal
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
from lifecycle_msgs.msg import Transition

from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.power import PowerState
from leg_kinematics.nodes.taking_part.operator import READY
from leg_kinematics.nodes.taking_part.participant import NoAnswerError
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver, posture_angles

if TYPE_CHECKING:
    from test.chain.conftest import Scene, StartChain

#: Rounding of a pulse on the line, µs.
QUANTUM_US = 0.25


@pytest.fixture(scope='module')
def robot(start_shared_chain: 'StartChain') -> 'Scene':
    """Return the robot, which stands."""
    scene = start_shared_chain()
    scene.operator.bring_up()
    scene.operator.stand()
    return scene


@pytest.fixture
def scene(robot: 'Scene') -> 'Iterator[Scene]':
    """Return the robot in mid-step; in the end it walks, and was never told to jump."""
    robot.begin()
    robot.walk_into_a_step()
    yield robot
    robot.walk_on()
    robot.assert_no_jump()


@pytest.mark.parametrize('name', ['kinematics', 'gait', 'bridge'])
def test_a_node_that_does_not_run_for_a_while(scene: 'Scene', name: str) -> None:
    """When it runs again the walk goes on, with no leg enabled anew and no word of anybody."""
    scene.chain.nodes[name].send_signal(signal.SIGSTOP)
    if name == 'bridge':  # which tells nothing meanwhile
        scene.until(
            lambda: any(r.event == 'silence' for r in scene.log.records(scene.since)),
            'the board holding by itself',
        )
    else:
        scene.see_hold()
    scene.chain.nodes[name].send_signal(signal.SIGCONT)
    scene.walk_on()
    assert 'enable' not in {record.event for record in scene.log.records(scene.since)}


def test_a_kinematics_that_dies(scene: 'Scene') -> None:
    """A new one needs nobody's help: the robot kept its power, and its gait is there."""
    scene.kill('kinematics')
    scene.see_hold()
    scene.chain.start('kinematics')


def test_a_gait_that_dies(scene: 'Scene') -> None:
    """A new one walks when it is told to stand, and not before: the feet stay in the air."""
    scene.kill('gait')
    scene.see_hold()
    held = scene.log.poses()[-1].time
    scene.operator.lose_sight()
    with scene.operator.seeing_anew('gait/stand'):
        scene.chain.start('gait')
    scene.operator.wait_for('gait', READY)
    scene.see_still(held)
    scene.operator.stand()


def test_a_bridge_that_dies(scene: 'Scene') -> None:
    """The board holds; a new bridge keeps the servos where they are until gait/stand."""
    scene.kill('bridge')
    scene.until(
        lambda: (
            [r.detail for r in scene.log.records(scene.since) if r.event == 'silence'] == ['hold']
        ),
        'the board holding by itself',
    )
    held = scene.log.poses()[-1].time
    operator = scene.operator
    operator.lose_sight()
    with operator.seeing_anew('bridge/change_state'):
        scene.chain.start('bridge')
    operator.wait_for('bridge', 'unconfigured')
    operator.change_bridge(Transition.TRANSITION_CONFIGURE)
    operator.wait_for_power(PowerState.HOLDING)
    scene.see_still(held)
    operator.change_bridge(Transition.TRANSITION_ACTIVATE)
    operator.wait_for_power(PowerState.FOLLOWING)
    operator.wait_for('gait', READY)
    scene.see_still(held)
    operator.stand()


def test_a_board_that_dies(
    scene: 'Scene', bracken: Robot, servo_maps: ServoMaps, legs: tuple[LegSolver, ...]
) -> None:
    """It comes back without pulses, and so it stays until rearm; nobody rises until gait/stand."""
    operator = scene.operator
    scene.kill('mock')
    operator.wait_for_power(PowerState.LOST)
    scene.chain.start_mock()
    operator.wait_for_power(PowerState.RELEASED)
    with pytest.raises(NoAnswerError, match='call bridge/rearm first'):
        operator.call('gait/stand')
    scene.drive(0.5)
    boot = max(r.time for r in scene.log.records() if r.event == 'boot')
    assert {record.enabled for record in scene.log.records(boot)} == {0}

    operator.rearm()
    operator.wait_for_power(PowerState.FOLLOWING)
    operator.wait_for('gait', READY)
    # The board may be asked again before it has answered: the first time counts.
    enabled: dict[int, float] = {}
    for record in scene.log.records(boot):
        if record.event == 'enable':
            for channel, pulse in record.pulses_us.items():
                enabled.setdefault(channel, pulse)
    assert list(enabled) == [each.channel for each in servo_maps.maps]
    resting = [angle for leg in posture_angles(bracken, legs, 'resting') for angle in leg]
    assert enabled == {
        each.channel: pytest.approx(each.pulse_us(angle), abs=QUANTUM_US)
        for each, angle in zip(servo_maps.maps, resting, strict=True)
    }
    scene.see_still(boot)
    operator.stand()
