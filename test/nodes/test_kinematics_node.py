# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `kinematics` alone: what comes in reaches its stage, and what the stage says goes out.

What becomes of feet is judged in `test/stages/test_solving.py`.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import pytest
from builtin_interfaces.msg import Time
from diagnostic_msgs.msg import DiagnosticStatus
from sensor_msgs.msg import JointState, MultiDOFJointState
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory

from leg_kinematics.chain.solving import Solving, SolvingParameters
from leg_kinematics.chain.values import FootTargets
from leg_kinematics.nodes.kinematics_node import KinematicsNode
from leg_kinematics.nodes.running.parameters import as_overrides
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver

if TYPE_CHECKING:
    from test.nodes.conftest import Probe

Send = Callable[[MultiDOFJointTrajectory], None]

STAMP = Time(sec=1_800_000_000, nanosec=5)
STAMP_NS = 1_800_000_000_000_000_005


@pytest.fixture
def node(probe: 'Probe', files: dict[str, str]) -> KinematicsNode:
    """Return the node under test, spinning with the probe."""
    node = KinematicsNode(as_overrides({**files}))
    probe.add(node)
    return node


@pytest.fixture
def ask(
    probe: 'Probe',
    node: KinematicsNode,  # noqa: ARG001
) -> Send:
    """Send foot targets."""
    publisher = probe.publisher(MultiDOFJointTrajectory, 'foot_targets')
    send: Send = publisher.publish
    return send


@pytest.fixture
def answers(probe: 'Probe', node: KinematicsNode) -> list[Any]:  # noqa: ARG001
    """Hear joint trajectories."""
    return probe.record(JointTrajectory, 'joint_trajectory')


def stream(robot: Robot) -> FootTargets:
    """Make a stream of the standing posture, in motion."""
    feet = (robot.standing.feet,) * 2
    return FootTargets(
        STAMP_NS, robot.leg_names, (0.0, 0.01), feet, [[(0.01, 0.0, 0.0)] * len(robot.legs)] * 2
    )


def test_feet_go_in_and_joints_come_out(
    probe: 'Probe',
    ask: Send,
    answers: list[JointTrajectory],
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
) -> None:
    """What the stage makes of them, under its names and with their stamp."""
    assert probe.wait_for('kinematics', 'waiting') == DiagnosticStatus.OK
    ask(messages.foot_targets_message(stream(bracken)))
    probe.until(lambda: answers, 'a joint trajectory')
    (answer,) = answers
    assert answer.header.stamp == STAMP
    assert tuple(answer.joint_names) == bracken.joints
    expected = Solving(bracken, bracken_legs, SolvingParameters()).solve(stream(bracken))
    assert messages.joint_targets(answer, bracken.joints) == expected
    assert probe.wait_for('kinematics', 'following foot_targets') == DiagnosticStatus.OK


def test_joint_states_become_foot_states_and_the_start_of_a_straight_move(
    probe: 'Probe',
    ask: Send,
    answers: list[JointTrajectory],
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
) -> None:
    """With their stamp; incomplete joint states are left alone.

    Targets without velocities begin there, and before that they are refused.
    """
    move = messages.foot_targets_message(
        FootTargets(0, bracken.leg_names[:1], (2.0,), [bracken.standing.feet[:1]], None)
    )
    ask(move)
    assert probe.wait_for_words('kinematics', 'no joint_states has come') == DiagnosticStatus.ERROR
    heard = probe.record(MultiDOFJointState, 'foot_states')
    publisher = probe.publisher(JointState, 'joint_states')
    angles = [
        leg.angles(foot) for leg, foot in zip(bracken_legs, bracken.resting.feet, strict=True)
    ]
    row = [angle for leg in angles for angle in leg]
    publisher.publish(JointState(name=['camera'], position=[1.0]))
    publisher.publish(messages.joint_state_message(STAMP_NS, bracken.joints, row, row))
    probe.until(lambda: heard, 'foot states')
    assert len(heard) == 1
    assert heard[0].header.stamp == STAMP
    feet = messages.feet_of(heard[0], bracken.leg_names)
    assert feet == tuple(leg.foot(a) for leg, a in zip(bracken_legs, angles, strict=True))
    ask(move)
    probe.until(lambda: answers, 'a joint trajectory')
    first, *_, last = answers[0].points
    assert list(first.positions) == pytest.approx(row, abs=1e-9)
    assert messages.seconds_of(last.time_from_start) == pytest.approx(2.0)


def test_what_is_refused_is_told_until_something_is_obeyed(
    probe: 'Probe',
    ask: Send,
    answers: list[JointTrajectory],
    bracken: Robot,
) -> None:
    """An error with the reason, of the message as of the stage; both are counted."""
    message = messages.foot_targets_message(stream(bracken))
    message.header.frame_id = 'odom'
    ask(message)
    words = "foot_targets must be in 'base_link'"
    assert probe.wait_for_words('kinematics', words) == DiagnosticStatus.ERROR
    tail = FootTargets(0, ('tail',), (1.0,), [[(0.0, 0.0, 0.0)]], None)
    ask(messages.foot_targets_message(tail))
    probe.wait_for_words('kinematics', 'refused: foot_targets has unknown names: tail')
    ask(messages.foot_targets_message(stream(bracken)))
    assert probe.wait_for('kinematics', 'following foot_targets') == DiagnosticStatus.OK
    probe.until(lambda: answers, 'a joint trajectory')
    assert len(answers) == 1
    assert probe.values['kinematics'] == {
        'state': 'following foot_targets',
        'accepted': '1',
        'refused': '2',
    }


def test_the_description_waits_for_late_joiners(
    probe: 'Probe',
    node: KinematicsNode,  # noqa: ARG001
    bracken: Robot,
) -> None:
    """Who subscribes long after the start still gets the URDF, with every joint."""
    heard = probe.record(String, 'robot_description', qos.DESCRIPTION)
    probe.until(lambda: heard, 'the description')
    root = ET.fromstring(heard[0].data)
    assert root.get('name') == bracken.name
    assert set(bracken.joints) <= {joint.get('name') for joint in root.iter('joint')}
