# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""With messages between the stages the pulses are the same, to the last bit.

Each value goes through the message that the nodes make of it, as an object or as bytes, and back.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

import pytest

from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.lockstep import LockStep, LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import FootTargets, JointTargets, RobotReport
from leg_kinematics.chain.walking import WalkingParameters
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.translation import messages
from leg_kinematics.nodes.translation.streams import (
    FootStates,
    FootTrajectories,
    JointStates,
    JointTrajectories,
    RobotReports,
)
from leg_kinematics.robot import Robot, Vector

Positions = tuple[float, ...]
Feet = tuple[Vector, ...]


@dataclass(frozen=True)
class Way:
    """What becomes of the values between the stages."""

    targets: Callable[[FootTargets], FootTargets]
    joints: Callable[[JointTargets], JointTargets]
    states: Callable[[Positions], Positions]
    feet: Callable[[Feet], Feet]
    report: Callable[[RobotReport], RobotReport]


def by_objects(robot: Robot) -> Way:
    """Make messages as objects."""
    joints, legs = robot.joints, robot.leg_names

    def feet(places: Feet) -> Feet:
        return cast('Feet', messages.feet_of(messages.foot_states_message(1, legs, places), legs))

    def states(positions: Positions) -> Positions:
        message = messages.joint_state_message(1, joints, positions, [0.0] * len(joints))
        return cast('Positions', messages.joint_positions(message, joints))

    return Way(
        lambda targets: messages.foot_targets(messages.foot_targets_message(targets)),
        lambda targets: messages.joint_targets(
            messages.joint_trajectory_message(joints, targets), joints
        ),
        states,
        feet,
        lambda report: messages.robot_report(list(messages.report_message(report).data)),
    )


def by_bytes(robot: Robot) -> Way:
    """Make messages as they go over the line; each end knows the layouts by itself."""
    joints, legs = robot.joints, robot.leg_names
    sent_targets, heard_targets = FootTrajectories(legs), FootTrajectories(legs)
    sent_joints, heard_joints = JointTrajectories(joints), JointTrajectories(joints)
    sent_states, heard_states = JointStates(joints), JointStates(joints)
    sent_feet, heard_feet = FootStates(legs), FootStates(legs)
    sent_reports, heard_reports = RobotReports(), RobotReports()
    return Way(
        lambda targets: heard_targets.read(sent_targets.write(targets)),
        lambda targets: heard_joints.read(sent_joints.write(targets)),
        lambda positions: cast(
            'Positions',
            heard_states.read(sent_states.write(1, positions, [0.0] * len(joints)))[1],
        ),
        lambda feet: cast('Feet', heard_feet.read(sent_feet.write(1, feet))[1]),
        lambda report: heard_reports.read(sent_reports.write(report)),
    )


def put_between(life: LockStep, way: Way) -> None:
    """Have every value between the stages go its way."""
    walking, solving = life.walking, life.chain.solving
    hear, locate_feet = walking.hear, walking.locate
    solve, locate = solving.solve, solving.locate
    vars(walking)['hear'] = lambda report, received: hear(way.report(report), received)
    vars(walking)['locate'] = lambda feet, received: locate_feet(way.feet(feet), received)
    vars(solving)['solve'] = lambda targets: way.joints(solve(way.targets(targets)))
    vars(solving)['locate'] = lambda positions: locate(way.states(positions))


def live(life: LockStep) -> list[dict[int, float]]:
    """Stand up, walk in a curve, lose a link and a board for a while, crouch; give all pulses."""
    pulses = []

    def run(seconds: float) -> None:
        for _ in range(round(seconds / life.tick)):
            life.step()
            pulses.append(life.pulses_us('main'))

    life.driving.configure()
    run(0.1)
    life.driving.activate()
    run(2.0)
    assert life.driving.state is PowerState.FOLLOWING
    assert life.walking.stand(life.now).success
    run(2.5)
    life.command = Twist(0.07, -0.02, 0.2)
    run(1.57)
    life.forward_cut = True
    run(0.4)
    life.forward_cut = False
    run(1.2)
    life.lines['main'].cut = True
    run(0.4)
    life.lines['main'].cut = False
    run(1.2)
    life.command = Twist()
    run(2.0)
    life.walking.crouch()
    run(2.5)
    return pulses


@pytest.mark.parametrize('rate', [50.0, 100.0])
@pytest.mark.parametrize('linked', [False, True])
@pytest.mark.parametrize('way', [by_objects, by_bytes])
def test_messages_change_nothing(
    bracken: Robot,
    bracken_maps: ServoMaps,
    way: Callable[[Robot], Way],
    rate: float,
    *,
    linked: bool,
) -> None:
    """The times of points, s, are whole nanoseconds in a message; all else is exact."""
    walking = WalkingParameters(rate=rate, preview=0.08 if linked else 0.0)
    parameters = LockStepParameters(walking=walking, linked=linked)
    bare = LockStep(bracken, bracken_maps, parameters)
    told = LockStep(bracken, bracken_maps, parameters)
    put_between(told, way(bracken))
    assert live(told) == live(bare)
