# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `kinematics` alone: feet in, joints out, whole or not at all."""

from collections.abc import Callable, Mapping, Sequence
from math import nan
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import pytest
from builtin_interfaces.msg import Time
from diagnostic_msgs.msg import DiagnosticStatus
from geometry_msgs.msg import Transform, Twist, Vector3
from sensor_msgs.msg import JointState, MultiDOFJointState
from std_msgs.msg import String
from trajectory_msgs.msg import (
    JointTrajectory,
    MultiDOFJointTrajectory,
    MultiDOFJointTrajectoryPoint,
)

from leg_kinematics.nodes import messages, qos
from leg_kinematics.nodes.kinematics_node import KinematicsNode
from leg_kinematics.nodes.parameters import as_overrides
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver

if TYPE_CHECKING:
    from test.nodes.conftest import Probe

STAMP = Time(sec=1_800_000_000, nanosec=5)

FORWARD: Vector = (0.03, 0.01, 0.02)


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
) -> Callable[[MultiDOFJointTrajectory], None]:
    """Send foot targets."""
    publisher = probe.publisher(MultiDOFJointTrajectory, 'foot_targets')
    send: Callable[[MultiDOFJointTrajectory], None] = publisher.publish
    return send


@pytest.fixture
def answers(probe: 'Probe', node: KinematicsNode) -> list[Any]:  # noqa: ARG001
    """Hear joint trajectories."""
    return probe.record(JointTrajectory, 'joint_trajectory')


def vector3(vector: Vector) -> Vector3:
    """Make a message of a vector."""
    x, y, z = vector
    return Vector3(x=x, y=y, z=z)


def targets(
    points: Sequence[tuple[float, Mapping[str, Vector]]], velocity: Vector | None = None
) -> MultiDOFJointTrajectory:
    """Make foot targets of some legs at some times, s and m."""
    message = MultiDOFJointTrajectory(joint_names=list(points[0][1]))
    message.header.stamp = STAMP
    for time, feet in points:
        point = MultiDOFJointTrajectoryPoint(time_from_start=messages.duration_message(time))
        point.transforms = [Transform(translation=vector3(foot)) for foot in feet.values()]
        if velocity is not None:
            point.velocities = [Twist(linear=vector3(velocity)) for _ in feet]
        message.points.append(point)
    return message


def standing(robot: Robot, lift: float = 0.0) -> dict[str, Vector]:
    """Return the feet of the standing posture, lifted."""
    return {
        name: (x, y, z + lift)
        for name, (x, y, z) in zip(robot.leg_names, robot.standing.feet, strict=True)
    }


def test_feet_become_the_joints_of_the_solver(
    probe: 'Probe',
    ask: Callable[[MultiDOFJointTrajectory], None],
    answers: list[JointTrajectory],
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
) -> None:
    """Positions, velocities, times and stamp of every point, in the order of the description."""
    feet = [standing(bracken), standing(bracken, 0.005), standing(bracken, 0.02)]
    ask(targets(list(zip((0.0, 0.01, 0.07), feet, strict=True)), FORWARD))
    probe.until(lambda: answers, 'a joint trajectory')
    (answer,) = answers
    assert answer.header.stamp == STAMP
    assert tuple(answer.joint_names) == bracken.joints
    assert [messages.seconds_of(p.time_from_start) for p in answer.points] == [0.0, 0.01, 0.07]
    for point, row in zip(answer.points, feet, strict=True):
        expected = [leg.angles(row[leg.name]) for leg in bracken_legs]
        speeds = [
            leg.velocity(angles, FORWARD)
            for leg, angles in zip(bracken_legs, expected, strict=True)
        ]
        assert list(point.positions) == [q for angles in expected for q in angles]
        assert list(point.velocities) == [v for row in speeds for v in row]
    assert probe.wait_for('kinematics', 'following foot_targets') == DiagnosticStatus.OK


def test_without_velocities_the_joints_are_told_to_rest_at_the_points(
    probe: 'Probe',
    ask: Callable[[MultiDOFJointTrajectory], None],
    answers: list[JointTrajectory],
    bracken: Robot,
) -> None:
    """A sender of positions alone gets velocities of zero."""
    ask(targets([(0.05, standing(bracken))]))
    probe.until(lambda: answers, 'a joint trajectory')
    assert set(answers[0].points[0].velocities) == {0.0}


def test_joint_states_become_foot_states(
    probe: 'Probe',
    node: KinematicsNode,  # noqa: ARG001
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
) -> None:
    """By forward kinematics, with their stamp; incomplete joint states are left alone."""
    heard = probe.record(MultiDOFJointState, 'foot_states')
    publisher = probe.publisher(JointState, 'joint_states')
    angles = [
        leg.angles(foot) for leg, foot in zip(bracken_legs, bracken.standing.feet, strict=True)
    ]
    publisher.publish(JointState(name=['camera'], position=[1.0]))
    message = messages.joint_state_message(STAMP, bracken.joints, [q for a in angles for q in a])
    publisher.publish(message)
    probe.until(lambda: heard, 'foot states')
    assert len(heard) == 1
    assert heard[0].header.stamp == STAMP
    feet = messages.feet_of(heard[0], bracken.leg_names)
    assert feet == tuple(leg.foot(a) for leg, a in zip(bracken_legs, angles, strict=True))


def test_some_legs_move_and_the_others_stay(
    probe: 'Probe',
    ask: Callable[[MultiDOFJointTrajectory], None],
    answers: list[JointTrajectory],
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
) -> None:
    """Refused while nobody knows where the others are; then those keep their joint states."""
    name = bracken.leg_names[1]
    one = {name: standing(bracken, 0.01)[name]}
    ask(targets([(0.0, one)]))
    assert probe.wait_for_words('kinematics', 'no joint_states has come') == DiagnosticStatus.ERROR
    assert answers == []
    resting = [
        leg.angles(foot) for leg, foot in zip(bracken_legs, bracken.resting.feet, strict=True)
    ]
    feet = probe.record(MultiDOFJointState, 'foot_states')
    joint_states = probe.publisher(JointState, 'joint_states')
    joint_states.publish(
        messages.joint_state_message(STAMP, bracken.joints, [q for a in resting for q in a])
    )
    probe.until(lambda: feet, 'foot states')
    ask(targets([(0.0, one)]))
    probe.until(lambda: answers, 'a joint trajectory')
    expected = list(resting)
    expected[1] = bracken_legs[1].angles(one[name])
    assert list(answers[0].points[0].positions) == [q for angles in expected for q in angles]


def test_one_bad_foot_refuses_all_and_moving_back_is_allowed(
    probe: 'Probe',
    ask: Callable[[MultiDOFJointTrajectory], None],
    answers: list[JointTrajectory],
    bracken: Robot,
) -> None:
    """Nothing goes out for it, the status names the leg, and the next good target is obeyed."""
    ask(targets([(0.0, standing(bracken))]))
    probe.until(lambda: answers, 'a joint trajectory')
    bad = standing(bracken) | {'left_rear': (-0.5, 0.5, 0.0)}
    ask(targets([(0.0, standing(bracken)), (0.01, bad)]))
    assert probe.wait_for_words('kinematics', 'refused: left_rear') == DiagnosticStatus.ERROR
    back = standing(bracken, 0.01)
    ask(targets([(0.0, back)]))
    assert probe.wait_for('kinematics', 'following foot_targets') == DiagnosticStatus.OK
    probe.until(lambda: len(answers) > 1, 'the next joint trajectory')
    assert len(answers) == 2
    probe.until(lambda: probe.values['kinematics']['accepted'] == '2', 'both counts')
    assert probe.values['kinematics']['refused'] == '1'


def test_a_target_seconds_away_is_a_straight_move(
    probe: 'Probe',
    ask: Callable[[MultiDOFJointTrajectory], None],
    answers: list[JointTrajectory],
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
) -> None:
    """Refused while nobody knows where it starts; then from the joint states, at rest at its ends.

    The legs that it does not name stay where they are.
    """
    name = bracken.leg_names[2]
    goal = standing(bracken, 0.02)[name]
    ask(targets([(2.0, {name: goal})]))
    assert probe.wait_for_words('kinematics', 'no joint_states has come') == DiagnosticStatus.ERROR
    start = [
        leg.angles(foot) for leg, foot in zip(bracken_legs, bracken.standing.feet, strict=True)
    ]
    feet = probe.record(MultiDOFJointState, 'foot_states')
    joint_states = probe.publisher(JointState, 'joint_states')
    joint_states.publish(
        messages.joint_state_message(STAMP, bracken.joints, [q for a in start for q in a])
    )
    probe.until(lambda: feet, 'foot states')
    ask(targets([(2.0, {name: goal})]))
    probe.until(lambda: answers, 'a joint trajectory')
    first, *_, last = answers[0].points
    end = [*start[:2], bracken_legs[2].angles(goal), *start[3:]]
    assert list(first.positions) == pytest.approx([q for a in start for q in a], abs=1e-9)
    assert list(last.positions) == pytest.approx([q for a in end for q in a], abs=1e-9)
    assert messages.seconds_of(last.time_from_start) == pytest.approx(2.0)
    for point in (first, last):
        assert list(point.velocities) == pytest.approx([0.0] * 18, abs=1e-9)
    for point in answers[0].points:
        angles = list(point.positions)
        assert angles[:6] + angles[9:] == [q for a in start[:2] + start[3:] for q in a]


def _backward(feet: dict[str, Vector]) -> MultiDOFJointTrajectory:
    return targets([(0.05, feet), (0.02, feet)])


def _not_finite(feet: dict[str, Vector]) -> MultiDOFJointTrajectory:
    return targets([(0.0, feet | {'left_front': (nan, 0.0, 0.0)})])


def _unknown(feet: dict[str, Vector]) -> MultiDOFJointTrajectory:
    return targets([(0.0, feet | {'tail': (0.0, 0.0, 0.0)})])


@pytest.mark.parametrize(
    ('make', 'words'),
    [
        (_backward, 'must increase strictly'),
        (_not_finite, 'not finite'),
        (_unknown, 'unknown names: tail'),
    ],
)
def test_what_cannot_be_obeyed_is_refused_with_the_reason(
    probe: 'Probe',
    ask: Callable[[MultiDOFJointTrajectory], None],
    bracken: Robot,
    make: Callable[[dict[str, Vector]], MultiDOFJointTrajectory],
    words: str,
) -> None:
    """An error on the diagnostics, and nothing accepted."""
    ask(make(standing(bracken)))
    assert probe.wait_for_words('kinematics', words) == DiagnosticStatus.ERROR
    assert probe.values['kinematics'] == {'accepted': '0', 'refused': '1'}


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
