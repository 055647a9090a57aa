# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The whole chain as processes: from a body velocity to pulses at a board, measured there."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pytest
from numpy.typing import NDArray
from rclpy.serialization import deserialize_message
from sensor_msgs.msg import JointState, MultiDOFJointState
from std_msgs.msg import String
from trajectory_msgs.msg import MultiDOFJointTrajectory

from leg_kinematics.board import Record
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.taking_part.operator import Operator
from leg_kinematics.nodes.taking_part.participant import RECORDED
from leg_kinematics.nodes.translation import qos
from leg_kinematics.recording.walk import Walk, distances, foot_errors, smallest_margin
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver

if TYPE_CHECKING:
    from test.chain.conftest import StartChain

WORST_FOOT_ERROR = 0.5e-3
WORST_DISTANCE_ERROR = 0.005

#: m, by which standing feet may come nearer or farther from each other, and what rounding of the
#: pulses of two legs adds to it.
WORST_DRAG = 1e-3 + 2.0 * 0.3e-3

#: m that rounding of three pulses moves a foot by at most.
ROUNDING = 0.5e-3


def test_a_body_velocity_becomes_steps(
    bracken: Robot,
    legs: tuple[LegSolver, ...],
    start_chain: 'StartChain',
    walk_of: Callable[[Operator, Sequence[Record]], Walk],
    drag: Callable[[NDArray[np.float64]], float],
) -> None:
    """Brought up and driven, the robot stands, walks where it is told, stops and crouches."""
    scene = start_chain()
    operator = scene.operator
    joint_states: list[JointState] = []
    foot_states: list[MultiDOFJointState] = []
    descriptions: list[String] = []
    node = operator.node
    node.create_subscription(JointState, 'joint_states', joint_states.append, RECORDED)
    node.create_subscription(MultiDOFJointState, 'foot_states', foot_states.append, RECORDED)
    node.create_subscription(String, 'robot_description', descriptions.append, qos.DESCRIPTION)

    operator.bring_up()
    operator.stand()
    stood = scene.log.poses()[-1].time
    operator.drive(Twist(x=0.08), 2.5, 'walking forward')
    operator.drive(Twist(x=0.05, y=0.03, yaw=-0.3), 2.5, 'walking an arc')
    operator.drive(Twist(), 1.0, 'stopping')
    operator.wait_for('gait', 'standing')

    def in_place() -> bool:
        last = deserialize_message(operator.foot_targets[-1], MultiDOFJointTrajectory)
        places = [each.translation for each in last.points[-1].transforms]
        return all(
            foot == pytest.approx((place.x, place.y, place.z), abs=ROUNDING, rel=0.0)
            for foot, place in zip(scene.feet(), places, strict=True)
        )

    operator.spin(in_place, 'every foot where the gait wants it')
    stopped = scene.log.poses()[-1].time
    operator.crouch()
    operator.values.clear()
    operator.spin(lambda: {'gait', 'bridge'} <= operator.values.keys(), 'a last status')

    scene.assert_no_jump()
    records = scene.log.records()
    assert not [record for record in records if record.event in {'refused', 'bad', 'silence'}]
    assert operator.values['bridge']['main.refused'] == '0'
    assert operator.values['bridge']['refused'] == '0'
    assert operator.values['gait']['refused_commands'] == '0'

    walk = walk_of(operator, records)
    commanded, walked, difference = distances(walk)
    assert walked > 0.2
    assert abs(walked - commanded) < WORST_DISTANCE_ERROR * commanded
    assert difference < WORST_DISTANCE_ERROR * commanded
    errors = foot_errors(walk).errors
    fed = operator.fed(walk.pose_times[: len(errors)])
    # On a busy machine there may be no stretch at which everybody was on time.
    assert errors[fed].max(initial=0.0) < WORST_FOOT_ERROR
    walked_on = (walk.pose_times >= stood) & (walk.pose_times <= stopped)
    assert drag(walk.told_feet[walked_on]) < WORST_DRAG
    assert smallest_margin(walk, bracken, legs) > 0.0

    assert set(joint_states[-1].name) == set(bracken.joints)
    assert set(foot_states[-1].joint_names) == set(bracken.leg_names)
    assert [message.data.count('type="revolute"') for message in descriptions] == [18]
