# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Somebody else sends joint trajectories or foot targets, without our gait and by his own clock."""

from collections.abc import Sequence
from math import cos, pi, sin
from typing import TYPE_CHECKING

import pytest
from builtin_interfaces.msg import Duration, Time
from geometry_msgs.msg import Transform, Vector3
from rclpy.publisher import Publisher
from trajectory_msgs.msg import (
    JointTrajectory,
    JointTrajectoryPoint,
    MultiDOFJointTrajectory,
    MultiDOFJointTrajectoryPoint,
)

from leg_kinematics.board import Record
from leg_kinematics.chain.power import PowerState
from leg_kinematics.nodes.translation import qos
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver, posture_angles

if TYPE_CHECKING:
    from test.chain.conftest import Scene, StartChain

#: Of the stream: how far and how often it swings, rad and 1/s, and what a message covers, s.
SWING = 0.1
FREQUENCY = 0.5
PREVIEW = 0.1

#: Between two messages, s.
PERIOD = 0.02

#: A joint that is in its stream is no farther from it, rad.
CLOSE = 1e-3

#: Of a straight move, m.
MOVE = (0.0, 0.0, 0.03)

#: Poses that tell a robot which rests.
RESTING = 20

#: Rounding of three pulses moves a foot by less, m.
ROUNDING = 0.5e-3


@pytest.fixture(scope='module')
def scene(start_shared_chain: 'StartChain') -> 'Scene':
    """Return a robot at rest, without a gait."""
    made = start_shared_chain(at_once=['mock', 'bridge', 'kinematics'], bridge={'enable': True})
    made.operator.wait_for_power(PowerState.FOLLOWING)
    made.begin()
    return made


class Swinger:
    """Has every joint swing about its place at rest, smoothly and for ever."""

    def __init__(self, scene: 'Scene', joints: Sequence[str], middle: Sequence[float]) -> None:
        """Offer the stream."""
        self._scene = scene
        self._joints = list(joints)
        self._middle = middle
        self._clock = scene.operator.node.get_clock()
        self._out: Publisher[JointTrajectory] = scene.operator.node.create_publisher(
            JointTrajectory, 'joint_trajectory', qos.PUBLISHED
        )
        #: By how much the clock of the stamps was set, ns.
        self.set_by = 0

    def close(self) -> None:
        """Leave."""
        self._scene.operator.node.destroy_publisher(self._out)

    def _send(self) -> None:
        now = self._clock.now().nanoseconds
        message = JointTrajectory(joint_names=self._joints)
        seconds, nanoseconds = divmod(now + self.set_by, 10**9)
        message.header.stamp = Time(sec=seconds, nanosec=nanoseconds)
        for ahead in (0.0, PREVIEW):
            angle = 2.0 * pi * FREQUENCY * (1e-9 * now + ahead)
            swing, rate = SWING * sin(angle), 2.0 * pi * FREQUENCY * SWING * cos(angle)
            message.points.append(
                JointTrajectoryPoint(
                    positions=[middle + swing for middle in self._middle],
                    velocities=[rate] * len(self._joints),
                    time_from_start=Duration(nanosec=round(1e9 * ahead)),
                )
            )
        self._out.publish(message)

    def until_in_stream(self, what: str) -> None:
        """Send until every servo has swung, in the stream, since now."""
        scene = self._scene
        records = scene.log.records()
        since = records[-1].time

        def swings() -> bool:
            self._send()
            report = scene.operator.report
            if report is None or report.stamp is None or report.lag > CLOSE:
                return False
            poses = scene.log.poses(since)
            return all(width > SWING for width in widths(poses))

        def widths(poses: Sequence[Record]) -> list[float]:
            if not poses:
                return [0.0]
            rows = list(zip(*(record.pulses_us.values() for record in poses), strict=True))
            return [(max(row) - min(row)) / US_PER_RAD for row in rows]

        timer = scene.operator.node.create_timer(PERIOD, self._send)
        scene.operator.spin(swings, what)
        scene.operator.node.destroy_timer(timer)


#: Of bracken's servos, about; what swings more than half of its way is seen by it.
US_PER_RAD = 640.0


def test_a_stream_of_joints(scene: 'Scene', bracken: Robot, legs: tuple[LegSolver, ...]) -> None:
    """It is joined in full motion, and again after its sender's clock was set back or ahead."""
    scene.begin()
    resting = [angle for leg in posture_angles(bracken, legs, 'resting') for angle in leg]
    swinger = Swinger(scene, bracken.joints, [angle + 0.3 * SWING for angle in resting])
    swinger.until_in_stream('a swing')
    for step in (-0.4, 0.5, -1.5, 3600.0):
        swinger.set_by += round(1e9 * step)
        swinger.until_in_stream(f'a swing after a step by {step:g} s')
    swinger.close()
    scene.assert_no_jump()


def test_a_straight_move(scene: 'Scene', bracken: Robot) -> None:
    """One point without velocities: the named foot goes there, the others stay."""
    operator = scene.operator
    scene.begin()
    feet = operator.node.create_publisher(MultiDOFJointTrajectory, 'foot_targets', qos.PUBLISHED)
    operator.spin(lambda: feet.get_subscription_count() > 0, 'a listener')

    def rests() -> bool:
        poses = scene.log.poses(scene.since)[-RESTING:]
        return len(poses) == RESTING and len({tuple(p.pulses_us.items()) for p in poses}) == 1

    operator.spin(rests, 'a robot at rest')
    before = scene.feet()
    goal = tuple(at + way for at, way in zip(before[1], MOVE, strict=True))
    message = MultiDOFJointTrajectory(joint_names=[bracken.leg_names[1]])
    message.points = [
        MultiDOFJointTrajectoryPoint(
            transforms=[Transform(translation=Vector3(x=goal[0], y=goal[1], z=goal[2]))],
            time_from_start=Duration(nanosec=400_000_000),
        )
    ]
    feet.publish(message)
    expected = [pytest.approx(foot, abs=ROUNDING, rel=0.0) for foot in before]
    expected[1] = pytest.approx(goal, abs=ROUNDING, rel=0.0)
    operator.spin(lambda: scene.feet() == expected, 'the foot at its goal')
    scene.assert_no_jump()
