# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a frame of the page costs the server, from the bytes of topics to the text for a page.

Time of the processor is counted, so that a busy machine matters little.
"""

from dataclasses import replace
from pathlib import Path
from time import process_time

import pytest
from rclpy.serialization import serialize_message

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import NANOSECONDS, FootTargets, Odom, RobotReport
from leg_kinematics.gait import BodyMotion, Covariance, Twist
from leg_kinematics.nodes.hearing import Hearing
from leg_kinematics.nodes.translation import messages
from leg_kinematics.nodes.translation.streams import (
    FootTrajectories,
    JointStates,
    OdometryMessages,
    RobotReports,
)
from leg_kinematics.robot import Posture
from leg_kinematics.solver import leg_solvers, posture_angles
from leg_kinematics.view.messages import FRAMES_A_SECOND
from leg_kinematics.view.reading import written

CONFIG = Path(__file__).parents[2] / 'config'

FRAMES = 2000

#: Messages of each topic between two frames, as a chain of 100 Hz sends them.
BETWEEN = {'joint_states': 2, 'bridge/state': 2, 'foot_targets': 3, 'odom': 3, 'cmd_vel': 1}

#: Of a processor, for all of this.
MOST_SHARE = 0.02


def robot_of(legs: int) -> CalibratedRobot:
    """Give the example robot, with its legs repeated until there are so many."""
    bracken = CalibratedRobot.load(
        CONFIG / 'robots' / 'bracken.yaml', CONFIG / 'servo_maps' / 'bracken.yaml'
    )
    robot, maps = bracken.robot, bracken.maps.maps
    count = len(robot.legs)
    repeated = tuple(replace(robot.legs[leg % count], name=f'leg_{leg}') for leg in range(legs))
    made = replace(
        robot,
        legs=repeated,
        resting=_posture(robot.resting, legs),
        standing=_posture(robot.standing, legs),
    )
    mapped = tuple(
        replace(maps[index % len(maps)], joint=joint) for index, joint in enumerate(made.joints)
    )
    ranges = {each.joint: each.angle_range for each in mapped}
    return CalibratedRobot(made, replace(bracken.maps, maps=mapped), leg_solvers(made, ranges))


def _posture(posture: Posture, legs: int) -> Posture:
    return replace(posture, feet=tuple(posture.feet[i % len(posture.feet)] for i in range(legs)))


def topics_of(calibrated: CalibratedRobot) -> dict[str, bytes]:
    """Give a message of each topic of a robot that walks."""
    robot, stamp = calibrated.robot, 10 * NANOSECONDS
    angles = [q for leg in posture_angles(robot, calibrated.legs, 'standing') for q in leg]
    nothing = Covariance()
    motion = BodyMotion((1.0, 2.0, 0.1), (0.01, 0.02, 0.3), (0.05, 0.0, 0.0), (0.0, 0.0, 0.1))
    going = [[(-0.05, 0.0, 0.0)] * len(robot.legs)] * 3
    targets = FootTargets(
        stamp, robot.leg_names, (0.0, 0.01, 0.07), [robot.standing.feet] * 3, going
    )
    velocity = messages.body_twist_message(Twist(0.05, 0.0, 0.1), stamp)
    return {
        'joint_states': JointStates(robot.joints).write(stamp, angles, [0.0] * len(angles)),
        'bridge/state': RobotReports().write(RobotReport(PowerState.FOLLOWING, 1, 0, stamp, 0.001)),
        'foot_targets': FootTrajectories(robot.leg_names).write(targets),
        'odom': OdometryMessages().write(Odom(stamp, motion, nothing, nothing)),
        'cmd_vel': serialize_message(velocity),
    }


@pytest.mark.bench
@pytest.mark.parametrize('legs', [6, 13])
def test_frames_cost_little(legs: int) -> None:
    """Of 18 and of 39 joints, 30 a second."""
    calibrated = robot_of(legs)
    hearing = Hearing(calibrated, '/')
    topics = topics_of(calibrated)
    for number in range(FRAMES // 10):
        _frame(hearing, topics, number)
    before = process_time()
    texts = [_frame(hearing, topics, number) for number in range(FRAMES)]
    each = (process_time() - before) / FRAMES
    print(
        f'\n  {3 * legs} joints: {each * 1e6:.0f} µs a frame, {each * FRAMES_A_SECOND:.2%} of a '
        f'processor; {len(texts[-1])} bytes a frame, {len(texts[-1]) * FRAMES_A_SECOND / 1e3:.0f} '
        'kB a second',
        end='',
    )
    assert '"margin":' in texts[-1]
    assert each * FRAMES_A_SECOND < MOST_SHARE


def _frame(hearing: Hearing, topics: dict[str, bytes], number: int) -> str:
    """Hear what comes between two frames, and write a frame."""
    at = number / FRAMES_A_SECOND
    for topic, count in BETWEEN.items():
        for _ in range(count):
            hearing.hear(topic, topics[topic], at, latency=0.0004)
    return written(hearing.frame(at))
