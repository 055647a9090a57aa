# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""An hour of walking: nothing grows, nothing slows down, and odometry stays sound."""

import gc
import random
import sys
import time
from collections.abc import Callable
from math import hypot, remainder, tau
from statistics import median

import numpy as np
import pytest
from nav_msgs.msg import Odometry as OdometryMessage

from leg_kinematics.chain.values import Odom
from leg_kinematics.gait import BodyMotion, GaitParameters, Odometry, Pose, Twist, Walker
from leg_kinematics.nodes.translation import messages
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver

PARAMETERS = GaitParameters()

TICK = 0.01

#: Of the tripod, s.
CYCLE = 2.0 * PARAMETERS.swing_time

#: Of a second, and of a minute.
TICKS = 100
MINUTE = 60 * TICKS

#: Objects that caches and counters of the interpreter may come to hold.
STRAY_BLOCKS = 500

#: Last minutes against first: a machine that others use as well is not steadier than this.
SLOWER = 1.5


def commands(minute: int) -> list[Twist]:
    """Draw the commands of a minute, one a second; every minute has the same, in another order."""
    chance = random.Random(0)
    drawn = [
        Twist(chance.uniform(-0.15, 0.15), chance.uniform(-0.15, 0.15), chance.uniform(-0.7, 0.7))
        for _ in range(60)
    ]
    random.Random(minute).shuffle(drawn)
    return drawn


@pytest.mark.parametrize(
    'minutes', [1, pytest.param(60, marks=[pytest.mark.soak, pytest.mark.timeout(1800)])]
)
def test_odometry_stays_sound(
    bracken: Robot, stand_up: Callable[[GaitParameters], Walker], minutes: int
) -> None:
    """The pose never jumps, its quaternion is of length one, its covariance grows and is one."""
    walker = stand_up(PARAMETERS)
    odometry = Odometry(0.02, bracken.standing.feet)
    longest_way = PARAMETERS.max_speed * TICK * (1.0 + 1e-9)
    widest_turn = PARAMETERS.max_yaw_rate * TICK * (1.0 + 1e-9)
    pose, spread = Pose(), 0.0
    for minute in range(minutes):
        for command in commands(minute):
            for sample in (walker.step(TICK, command) for _ in range(TICKS)):
                odometry.go(sample.pose, sample.twist, TICK, CYCLE)
                way = hypot(sample.pose.x - pose.x, sample.pose.y - pose.y)
                assert way <= longest_way
                assert abs(remainder(sample.pose.yaw - pose.yaw, tau)) <= widest_turn
                pose = sample.pose
            assert_sound(
                messages.odometry_message(
                    Odom(1, BodyMotion.of(sample), odometry.pose, odometry.twist(sample.twist))
                )
            )
            assert odometry.pose.yaw_yaw > spread
            spread = odometry.pose.yaw_yaw


def assert_sound(message: OdometryMessage) -> None:
    """Assert that the quaternion is of length one and the covariances are such."""
    turn = message.pose.pose.orientation
    assert hypot(turn.w, turn.x, turn.y, turn.z) == pytest.approx(1.0, abs=1e-15)
    for covariance in (message.pose.covariance, message.twist.covariance):
        matrix = np.reshape(covariance, (6, 6))
        np.testing.assert_array_equal(matrix, matrix.T)
        assert np.linalg.eigvalsh(matrix).min() > 0.0


@pytest.mark.soak
@pytest.mark.timeout(1800)
def test_nothing_grows_in_an_hour(
    bracken_legs: tuple[LegSolver, ...], stand_up: Callable[[GaitParameters], Walker]
) -> None:
    """Neither memory nor the time of a tick, with the joint angles of its feet."""
    walker = stand_up(PARAMETERS)
    seconds: list[float] = []
    blocks: list[int] = []
    for minute in range(60):
        begin = time.process_time()
        for command in commands(minute):
            for _ in range(TICKS):
                sample = walker.step(TICK, command)
                for leg, foot in zip(bracken_legs, sample.feet, strict=True):
                    leg.angles(foot)
        seconds.append(time.process_time() - begin)
        gc.collect()
        blocks.append(sys.getallocatedblocks())
    print(  # noqa: T201
        f'\nof a tick: first minutes {1e6 * median(seconds[:10]) / MINUTE:.1f} us, last '
        f'{1e6 * median(seconds[-10:]) / MINUTE:.1f} us; blocks of memory after 5 minutes '
        f'{blocks[4]}, after 60 {blocks[-1]}'
    )
    assert blocks[-1] - blocks[4] < STRAY_BLOCKS, blocks
    assert median(seconds[-10:]) < SLOWER * median(seconds[:10]), seconds
