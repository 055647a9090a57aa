# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Silence and death in the middle of a walk, with real processes: no jump, and it goes on."""

import signal
import subprocess
from collections.abc import Callable, Sequence
from itertools import pairwise
from math import hypot
from typing import TYPE_CHECKING

import pytest
from nav_msgs.msg import Odometry
from rclpy.serialization import deserialize_message
from trajectory_msgs.msg import MultiDOFJointTrajectory

from leg_kinematics.board import Record, read_log
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.commands.chain import Chain, end
from leg_kinematics.commands.operator import Operator
from leg_kinematics.gait import GaitParameters, Twist
from leg_kinematics.nodes.messages import seconds_of

if TYPE_CHECKING:
    from test.witness import Witness

AHEAD = Twist(x=0.08)

TICK = 0.01  # s, of the gait

CHANNELS = 18
EVERY_CHANNEL = (1 << CHANNELS) - 1

#: Height of a foot that stands, but for rounding, m.
ON_GROUND = 1e-9

#: For so long nothing may move while a node does not run, s.
HELD = 1.0

NoJump = Callable[[Operator, Sequence[Record]], None]


def kill(process: 'subprocess.Popen[str]') -> None:
    """End a process as a crash would."""
    process.kill()
    process.wait()
    if process.stdout is not None:
        process.stdout.close()


def speed(odometry: bytes) -> tuple[float, float, float]:
    """Velocity of the body, m/s and rad/s."""
    twist = deserialize_message(odometry, Odometry).twist.twist
    return twist.linear.x, twist.linear.y, twist.angular.z


def highest_foot(target: bytes) -> float:
    """Height of the highest foot of a target above the lowest, m."""
    message = deserialize_message(target, MultiDOFJointTrajectory)
    heights = [transform.translation.z for transform in message.points[-1].transforms]
    return float(max(heights) - min(heights))


def poses(chain: Chain) -> list[Record]:
    """Give the poses that the board was told so far."""
    return [record for record in read_log(chain.pulse_log) if record.event == 'pose']


def walk_on(chain: Chain, operator: 'Witness') -> None:
    """Drive on until both the gait and the servos have gone along."""
    before = operator.odometry_heard()[-1].pose.pose.position.x
    operator.walk_on(AHEAD, lambda: poses(chain), CHANNELS)
    operator.drive_until(
        AHEAD,
        lambda: operator.odometry_heard()[-1].pose.pose.position.x > before + 0.03,
        'odometry of a step',
    )
    operator.drive_until(
        AHEAD, lambda: operator.states.get('bridge') == 'active', 'an active bridge'
    )


def test_a_silent_velocity_ends_in_standing(
    walking: 'tuple[Chain, Witness]', assert_no_jump: NoJump
) -> None:
    """With no more cmd_vel the robot slows down as it always does, ends its steps and stands."""
    chain, operator = walking
    operator.drive(Twist(x=0.05, y=0.04, yaw=0.3), 2.0, 'an arc')
    operator.wait_for('gait', 'standing')
    # The gait is ahead of what it tells by its preview.
    operator.spin(
        lambda: (
            speed(operator.odometry[-1]) == (0.0, 0.0, 0.0)
            and highest_foot(operator.foot_targets[-1]) < ON_GROUND
        ),
        'all feet on the ground, at rest',
    )

    odometry = operator.odometry_heard()
    twists = [message.twist.twist for message in odometry]
    assert max(twist.linear.x for twist in twists) == pytest.approx(0.08)
    parameters = GaitParameters()
    for (before, then), (earlier, later) in zip(pairwise(twists), pairwise(odometry), strict=True):
        passed = seconds_of(later.header.stamp) - seconds_of(earlier.header.stamp)
        dt = max(passed, TICK) * (1.0 + 1e-6)
        change = hypot(then.linear.x - before.linear.x, then.linear.y - before.linear.y)
        assert change <= parameters.acceleration * dt
        assert abs(then.angular.z - before.angular.z) <= parameters.yaw_acceleration * dt
    assert_no_jump(operator, read_log(chain.pulse_log))


@pytest.mark.parametrize('name', ['kinematics', 'gait', 'bridge'])
def test_a_node_that_is_stopped_for_a_while(
    walking: 'tuple[Chain, Witness]', assert_no_jump: NoJump, name: str
) -> None:
    """While a node does not run the servos hold still; when it runs again the walk goes on."""
    chain, operator = walking
    for long in (False, True):
        chain.nodes[name].send_signal(signal.SIGSTOP)
        operator.drive(AHEAD, 0.4, f'{name} is stopped')
        if long and name == 'bridge':  # which tells nothing meanwhile
            operator.drive(AHEAD, 1.6, f'{name} is stopped')
        elif long:
            operator.see_hold(AHEAD, lambda: poses(chain), CHANNELS, HELD)
        chain.nodes[name].send_signal(signal.SIGCONT)
        operator.drive(AHEAD, 1.0, 'walking again')
        walk_on(chain, operator)
    operator.wait_for('gait', 'standing')
    records = read_log(chain.pulse_log)
    assert_no_jump(operator, records)
    # At start-up only; on a busy machine the board may be asked again before it has answered.
    up = next(index for index, record in enumerate(records) if record.enabled == EVERY_CHANNEL)
    assert {r.seq for r in records[up:] if r.event == 'enable'} == {records[up].seq}
    assert all(end(process, signal.SIGTERM) == 0 for process in chain.nodes.values())


def test_a_gait_that_dies_in_mid_step(
    walking: 'tuple[Chain, Witness]',
    walk_into_a_step: 'Callable[[Witness], None]',
    assert_no_jump: NoJump,
) -> None:
    """The servos hold the feet in the air; a new gait puts them down, stands up and walks."""
    chain, operator = walking
    walk_into_a_step(operator)
    kill(chain.nodes['gait'])
    operator.see_hold(AHEAD, lambda: poses(chain), CHANNELS, HELD)
    with operator.seeing_anew('gait/stand'):
        chain.start('gait')
    operator.wait_for('gait', 'waiting for gait/stand')
    operator.stand()
    walk_on(chain, operator)
    assert_no_jump(operator, read_log(chain.pulse_log))


def test_a_kinematics_that_dies_in_mid_step(
    walking: 'tuple[Chain, Witness]', assert_no_jump: NoJump
) -> None:
    """A new kinematics node needs nobody's help: the walk goes on."""
    chain, operator = walking
    kill(chain.nodes['kinematics'])
    operator.drive(AHEAD, 1.0, 'no kinematics')
    operator.states.clear()
    chain.start('kinematics')
    operator.wait_for('kinematics', 'following foot_targets')
    operator.drive(AHEAD, 1.0, 'catching up')
    walk_on(chain, operator)
    assert_no_jump(operator, read_log(chain.pulse_log))


def test_a_bridge_that_dies_in_mid_step(
    walking: 'tuple[Chain, Witness]', assert_no_jump: NoJump
) -> None:
    """The board holds; a new bridge takes over what the board puts out, and the walk goes on."""
    chain, operator = walking
    kill(chain.nodes['bridge'])
    operator.drive_until(
        AHEAD,
        lambda: 'hold' in [r.detail for r in read_log(chain.pulse_log) if r.event == 'silence'],
        'the board holding',
    )
    operator.states.clear()
    with operator.seeing_anew('bridge/change_state'):
        chain.start('bridge')
    operator.wait_for('bridge', 'unconfigured')
    operator.bring_up()
    operator.drive(AHEAD, 1.0, 'catching up')
    walk_on(chain, operator)
    assert_no_jump(operator, read_log(chain.pulse_log))


def test_a_board_that_dies_in_mid_step(
    walking: 'tuple[Chain, Witness]', servo_maps: ServoMaps, assert_no_jump: NoJump
) -> None:
    """A board that starts again has forgotten all: legs are enabled at rest, one by one."""
    chain, operator = walking
    assert chain.mock is not None
    kill(chain.mock.process)
    operator.wait_for('bridge', 'lost board main: holding, trying to reopen')
    chain.start_mock()
    operator.wait_for('bridge', 'active')
    operator.drive(AHEAD, 1.5, 'catching up')
    walk_on(chain, operator)

    records = read_log(chain.pulse_log)
    boots = [index for index, record in enumerate(records) if record.event == 'boot']
    assert len(boots) == 2
    first, second = records[: boots[1]], records[boots[1] :]
    assert_no_jump(operator, first)
    assert_no_jump(operator, second)
    # On a busy machine the board may be asked again before it has answered.
    orders = [
        list(dict.fromkeys(channel for r in run if r.event == 'enable' for channel in r.pulses_us))
        for run in (first, second)
    ]
    assert orders[0] == orders[1] == [each.channel for each in servo_maps.maps]
