# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Silence and death in the middle of a walk, with real processes: no jump, and it goes on."""

import signal
import subprocess
from collections.abc import Callable, Sequence
from itertools import pairwise
from math import hypot
from time import monotonic

import pytest
from rclpy.serialization import deserialize_message
from trajectory_msgs.msg import MultiDOFJointTrajectory

from leg_kinematics.board import Record, read_log
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.commands.chain import Chain, end
from leg_kinematics.commands.operator import Operator
from leg_kinematics.gait import GaitParameters, Twist
from leg_kinematics.nodes.messages import seconds_of

AHEAD = Twist(x=0.08)

TICK = 0.01  # s, of the gait

#: By now whatever was under way when a process fell silent has come to its end, s.
SETTLED = 0.6

NoJump = Callable[[Operator, Sequence[Record]], None]


def kill(process: 'subprocess.Popen[str]') -> None:
    """End a process as a crash would."""
    process.kill()
    process.wait()
    if process.stdout is not None:
        process.stdout.close()


def highest_foot(target: bytes) -> float:
    """Height of the highest foot of a target above the lowest, m."""
    message = deserialize_message(target, MultiDOFJointTrajectory)
    heights = [transform.translation.z for transform in message.points[-1].transforms]
    return float(max(heights) - min(heights))


def poses(chain: Chain, start: float, stop: float) -> list[dict[int, float]]:
    """Give the poses that the board was told in a span of time, µs by channel."""
    return [
        dict(record.pulses_us)
        for record in read_log(chain.pulse_log)
        if record.event == 'pose' and start < record.time < stop
    ]


def assert_walks(chain: Chain, operator: Operator) -> None:
    """Drive on, and see both the gait and the servos go along."""
    start = monotonic()
    before = operator.odometry_heard()[-1].pose.pose.position.x
    operator.drive(AHEAD, 1.5, 'walking on')
    assert operator.states['bridge'] == 'active'
    assert operator.odometry_heard()[-1].pose.pose.position.x > before + 0.03
    told = poses(chain, start, monotonic())
    for channel in told[0]:
        pulses = [pose[channel] for pose in told]
        assert max(pulses) - min(pulses) > 20.0, f'channel {channel} stood still'


def test_a_silent_velocity_ends_in_standing(
    walking: tuple[Chain, Operator], assert_no_jump: NoJump
) -> None:
    """With no more cmd_vel the robot slows down as it always does, ends its steps and stands."""
    chain, operator = walking
    operator.drive(Twist(x=0.05, y=0.04, yaw=0.3), 2.0, 'an arc')
    operator.wait_for('gait', 'standing')

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
    last = twists[-1]
    assert (last.linear.x, last.linear.y, last.angular.z) == (0.0, 0.0, 0.0)
    assert highest_foot(operator.foot_targets[-1]) == pytest.approx(0.0, abs=1e-9)
    assert_no_jump(operator, read_log(chain.pulse_log))


@pytest.mark.parametrize('name', ['kinematics', 'gait', 'bridge'])
def test_a_node_that_is_stopped_for_a_while(
    walking: tuple[Chain, Operator], assert_no_jump: NoJump, name: str
) -> None:
    """While a node does not run the servos hold still; when it runs again the walk goes on."""
    chain, operator = walking
    for pause in (0.4, 2.0):
        stopped = monotonic()
        chain.nodes[name].send_signal(signal.SIGSTOP)
        operator.drive(AHEAD, pause, f'{name} is stopped')
        continued = monotonic()
        chain.nodes[name].send_signal(signal.SIGCONT)
        held = poses(chain, stopped + SETTLED, continued)
        assert all(pose == held[0] for pose in held)
        operator.drive(AHEAD, 1.0, 'walking again')
        assert_walks(chain, operator)
    operator.wait_for('gait', 'standing')
    records = read_log(chain.pulse_log)
    assert_no_jump(operator, records)
    assert [record.event for record in records].count('enable') <= 18  # at start-up only
    assert all(end(process, signal.SIGTERM) == 0 for process in chain.nodes.values())


def test_a_gait_that_dies_in_mid_step(
    walking: tuple[Chain, Operator], assert_no_jump: NoJump
) -> None:
    """The servos hold the feet in the air; a new gait puts them down, stands up and walks."""
    chain, operator = walking
    operator.spin(lambda: highest_foot(operator.foot_targets[-1]) > 0.01, 'a foot in the air')
    kill(chain.nodes['gait'])
    died = monotonic()
    operator.drive(AHEAD, 1.0, 'no gait')
    held = poses(chain, died + SETTLED, monotonic())
    assert held
    assert all(pose == held[0] for pose in held)
    chain.start('gait')
    operator.wait_for('gait', 'waiting for gait/stand')
    operator.stand()
    assert_walks(chain, operator)
    assert_no_jump(operator, read_log(chain.pulse_log))


def test_a_kinematics_that_dies_in_mid_step(
    walking: tuple[Chain, Operator], assert_no_jump: NoJump
) -> None:
    """A new kinematics node needs nobody's help: the walk goes on."""
    chain, operator = walking
    kill(chain.nodes['kinematics'])
    operator.drive(AHEAD, 1.0, 'no kinematics')
    operator.states.clear()
    chain.start('kinematics')
    operator.wait_for('kinematics', 'following foot_targets')
    operator.drive(AHEAD, 1.0, 'catching up')
    assert_walks(chain, operator)
    assert_no_jump(operator, read_log(chain.pulse_log))


def test_a_bridge_that_dies_in_mid_step(
    walking: tuple[Chain, Operator], assert_no_jump: NoJump
) -> None:
    """The board holds; a new bridge takes over what the board puts out, and the walk goes on."""
    chain, operator = walking
    kill(chain.nodes['bridge'])
    operator.drive(AHEAD, 1.0, 'no bridge')
    assert 'hold' in [r.detail for r in read_log(chain.pulse_log) if r.event == 'silence']
    operator.states.clear()
    chain.start('bridge')
    operator.wait_for('bridge', 'unconfigured')
    operator.bring_up()
    operator.drive(AHEAD, 1.0, 'catching up')
    assert_walks(chain, operator)
    assert_no_jump(operator, read_log(chain.pulse_log))


def test_a_board_that_dies_in_mid_step(
    walking: tuple[Chain, Operator], servo_maps: ServoMaps, assert_no_jump: NoJump
) -> None:
    """A board that starts again has forgotten all: legs are enabled at rest, one by one."""
    chain, operator = walking
    assert chain.mock is not None
    kill(chain.mock.process)
    operator.wait_for('bridge', 'lost board main: holding, trying to reopen')
    chain.start_mock()
    operator.wait_for('bridge', 'active')
    operator.drive(AHEAD, 1.5, 'catching up')
    assert_walks(chain, operator)

    records = read_log(chain.pulse_log)
    boots = [index for index, record in enumerate(records) if record.event == 'boot']
    assert len(boots) == 2
    first, second = records[: boots[1]], records[boots[1] :]
    assert_no_jump(operator, first)
    assert_no_jump(operator, second)
    orders = [
        [channel for r in run if r.event == 'enable' for channel in r.pulses_us]
        for run in (first, second)
    ]
    assert orders[0] == orders[1] == [each.channel for each in servo_maps.maps]
