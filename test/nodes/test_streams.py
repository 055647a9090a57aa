# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Bytes of streamed messages, checked against rclpy's own serialisation."""

import struct
from collections.abc import Sequence
from dataclasses import fields
from math import inf, isfinite, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rclpy.serialization import deserialize_message, serialize_message
from trajectory_msgs.msg import JointTrajectory

from leg_kinematics.chain.values import NANOSECONDS, FootTargets, JointTargets, Odom
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import BodyMotion, Covariance
from leg_kinematics.nodes.translation import messages
from leg_kinematics.nodes.translation.cdr import FixedMessage
from leg_kinematics.nodes.translation.streams import (
    MOST_POINTS,
    FootStates,
    FootTrajectories,
    JointStates,
    JointTrajectories,
    OdometryMessages,
)
from leg_kinematics.robot import Vector
from leg_kinematics.solver import Trajectory

LEGS = ('left_front', 'left_middle', 'right_rear')
JOINTS = tuple(f'{leg}_{joint}' for leg in LEGS for joint in ('coxa', 'femur', 'tibia'))

NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
VECTORS = st.tuples(NUMBERS, NUMBERS, NUMBERS)
STAMPS = st.integers(0, 2**31 * NANOSECONDS - 1)
TIMES = st.integers(0, 1000 * NANOSECONDS).map(lambda ns: ns / NANOSECONDS)
FEET = st.tuples(*[VECTORS] * len(LEGS))
ROWS = st.tuples(*[NUMBERS] * len(JOINTS))
POINTS = st.lists(st.tuples(TIMES, FEET, FEET), min_size=1, max_size=MOST_POINTS)
TRAJECTORIES = st.lists(
    st.tuples(TIMES, ROWS, ROWS),
    min_size=1,
    max_size=MOST_POINTS,
    unique_by=lambda point: point[0],
).map(lambda points: Trajectory(*map(tuple, zip(*sorted(points), strict=True))))
COVARIANCES = st.builds(Covariance, *[NUMBERS] * len(fields(Covariance)))
ANGLES = st.tuples(*[st.floats(-3.0, 3.0)] * 3)
MOTIONS = st.builds(BodyMotion, VECTORS, ANGLES, VECTORS, VECTORS)

ROW = tuple(0.1 * index for index in range(len(JOINTS)))
STREAMED = Trajectory((0.0, 0.01, 0.07), (ROW,) * 3, (ROW[::-1],) * 3)

Points = list[tuple[float, tuple[Vector, ...], tuple[Vector, ...]]]


def is_as_rclpy_writes(data: bytes, message: object) -> bool:
    """Whether bytes are a message's, but for gaps, in which ours hold zeros and rclpy's anything.

    Behind the end rclpy leaves some more bytes for each empty sequence.
    """
    theirs = serialize_message(message)
    same = all(ours in {0, their} for ours, their in zip(data, theirs, strict=False))
    whole = deserialize_message(data, type(message)) == message
    return same and len(data) <= len(theirs) and bool(whole)


def foot_targets(stamp: int, points: Points) -> FootTargets:
    """Make a stream of foot targets."""
    times, feet, velocities = zip(*points, strict=True)
    return FootTargets(stamp, LEGS, times, feet, velocities)


def joint_trajectory(
    stamp: int, trajectory: Trajectory, joints: tuple[str, ...] = JOINTS
) -> JointTrajectory:
    """Make a trajectory message in the ordinary way."""
    return messages.joint_trajectory_message(joints, JointTargets(stamp, trajectory))


@given(STAMPS, POINTS)
def test_foot_targets_are_the_bytes_of_rclpy_and_come_back(stamp: int, points: Points) -> None:
    """A sender that knows the layout, a reader that has yet to learn it, and one that has."""
    targets = foot_targets(stamp, points)
    data = FootTrajectories(LEGS).write(targets)
    assert is_as_rclpy_writes(data, messages.foot_targets_message(targets))
    reader = FootTrajectories(LEGS)
    for _ in range(2):
        found = reader.read(data)
        assert (found.stamp, found.legs, found.times) == (stamp, LEGS, targets.times)
        assert tuple(map(tuple, found.feet)) == targets.feet
        assert tuple(map(tuple, found.velocities or ())) == targets.velocities


@given(STAMPS, TRAJECTORIES)
def test_joint_trajectories_are_the_bytes_of_rclpy_and_come_back(
    stamp: int, trajectory: Trajectory
) -> None:
    """The same of joints."""
    targets = JointTargets(stamp, trajectory)
    data = JointTrajectories(JOINTS).write(targets)
    assert is_as_rclpy_writes(data, joint_trajectory(stamp, trajectory))
    reader = JointTrajectories(JOINTS)
    assert reader.read(data) == targets
    assert reader.read(data) == targets


SOME = st.lists(st.sampled_from(JOINTS), min_size=1, max_size=len(JOINTS) - 1, unique=True)


@given(STAMPS, TRAJECTORIES, SOME)
def test_trajectories_of_some_joints_come_back(
    stamp: int, trajectory: Trajectory, named: list[str]
) -> None:
    """In the bytes of rclpy, in any order of the names, by a reader that knows all joints or none.

    What is read is in the order of the robot; a stream of all joints is read as before.
    """

    def of(names: Sequence[str]) -> Trajectory:
        order = [JOINTS.index(name) for name in names]
        positions, velocities = (
            tuple(tuple(row[index] for index in order) for row in rows)
            for rows in (trajectory.positions, trajectory.velocities)
        )
        return Trajectory(trajectory.times, positions, velocities)

    ordered = tuple(joint for joint in JOINTS if joint in named)
    data = serialize_message(joint_trajectory(stamp, of(named), tuple(named)))
    all_of_them = serialize_message(joint_trajectory(stamp, trajectory))
    reader = JointTrajectories(JOINTS)
    for _ in range(2):
        assert reader.read(data) == JointTargets(stamp, of(ordered), ordered)
        assert reader.read(all_of_them) == JointTargets(stamp, trajectory)
    written = JointTrajectories(JOINTS).write(JointTargets(stamp, of(ordered), ordered))
    assert deserialize_message(written, JointTrajectory) == joint_trajectory(
        stamp, of(ordered), ordered
    )


def test_trajectories_of_many_points_come_back_too() -> None:
    """Straight moves have as many points as they need."""
    times = tuple(index / 10 for index in range(MOST_POINTS + 1))
    trajectory = Trajectory(times, (ROW,) * len(times), (ROW[::-1],) * len(times))
    targets = JointTargets(7, trajectory)
    wire = JointTrajectories(JOINTS)
    assert wire.read(wire.write(targets)) == targets


@given(STAMPS, ROWS, ROWS)
def test_joint_states_are_the_bytes_of_rclpy_and_come_back(
    stamp: int, positions: tuple[float, ...], velocities: tuple[float, ...]
) -> None:
    """Of joint states."""
    wire = JointStates(JOINTS)
    made = messages.joint_state_message(stamp, JOINTS, positions, velocities)
    data = wire.write(stamp, positions, velocities)
    assert is_as_rclpy_writes(data, made)
    assert wire.read(data) == (stamp, positions)


@given(STAMPS, FEET)
def test_foot_states_are_the_bytes_of_rclpy_and_come_back(
    stamp: int, feet: tuple[Vector, ...]
) -> None:
    """Of foot states."""
    wire = FootStates(LEGS)
    made = messages.foot_states_message(stamp, LEGS, feet)
    assert is_as_rclpy_writes(wire.write(stamp, feet), made)
    assert wire.read(wire.write(stamp, feet)) == (stamp, feet)


@given(STAMPS, MOTIONS, COVARIANCES, COVARIANCES)
def test_odometry_is_the_bytes_of_rclpy(
    stamp: int, motion: BodyMotion, pose: Covariance, twist: Covariance
) -> None:
    """Of odometry."""
    odom = Odom(stamp, motion, pose, twist)
    made = messages.odometry_message(odom)
    assert is_as_rclpy_writes(OdometryMessages().write(odom), made)


def test_joints_in_another_order_are_put_in_ours() -> None:
    """A foreign sender, whose message is as long as ours."""
    reader = JointTrajectories(JOINTS)
    reader.read(serialize_message(joint_trajectory(1, STREAMED)))
    foreign = joint_trajectory(2, STREAMED, JOINTS[::-1])
    targets = reader.read(serialize_message(foreign))
    assert targets.stamp == 2
    assert targets.trajectory.positions == (ROW[::-1],) * 3
    assert targets.trajectory.velocities == (ROW,) * 3


def test_straight_moves_of_some_legs_come_back() -> None:
    """A sender that names two of three legs, and gives no velocities."""
    feet = (((0.1, 0.2, 0.3), (0.4, 0.5, 0.6)),)
    moves = FootTargets(3, LEGS[1:], (1.0,), feet, None)
    wire = FootTrajectories(LEGS)
    found = wire.read(wire.write(moves))
    assert (found.stamp, found.legs, found.times) == (3, LEGS[1:], (1.0,))
    assert tuple(map(tuple, found.feet)) == feet
    assert found.velocities is None


def test_the_other_order_of_bytes_is_understood() -> None:
    """Encapsulation 0, most significant byte first (OMG DDS-XTypes 1.3, table 60)."""
    wire = JointStates(('a',))
    big = (
        b'\0\0\0\0'
        + struct.pack('>iI', 5, 7)
        + struct.pack('>I4s', 1, b'')  # no frame
        + struct.pack('>II4s', 1, 2, b'a')  # one name
        + struct.pack('>Id', 1, 0.25)
        + struct.pack('>II', 0, 0)
    )
    assert wire.read(big) == (5 * NANOSECONDS + 7, (0.25,))


@pytest.mark.parametrize('bad', [nan, inf, -inf])
def test_numbers_that_are_not_finite_are_refused(bad: float) -> None:
    """Whether or not the layout is known."""
    row = (bad, *ROW[1:])
    message = joint_trajectory(1, STREAMED)
    message.points[1].positions = row
    data = serialize_message(message)
    fresh, knowing = JointTrajectories(JOINTS), JointTrajectories(JOINTS)
    knowing.write(JointTargets(1, STREAMED))
    for reader in (fresh, knowing):
        with pytest.raises(CommandError, match='not finite'):
            reader.read(data)
    states = JointStates(JOINTS)
    assert states.read(states.write(1, row, ROW)) == (1, None)


def test_every_truncated_message_is_refused() -> None:
    """Whatever the cut leaves."""
    wire = JointTrajectories(JOINTS)
    data = wire.write(JointTargets(1, STREAMED))
    for length in range(len(data)):
        with pytest.raises(CommandError):
            wire.read(data[:length])


@given(st.data())
def test_spoilt_bytes_are_refused_or_another_whole_trajectory(data: st.DataObject) -> None:
    """What is read has every joint in each point and finite numbers, or is not read at all."""
    wire = JointTrajectories(JOINTS)
    spoilt = bytearray(wire.write(JointTargets(1, STREAMED)))
    for _ in range(data.draw(st.integers(1, 5))):
        spoilt[data.draw(st.integers(0, len(spoilt) - 1))] = data.draw(st.integers(0, 255))
    try:
        trajectory = wire.read(bytes(spoilt)).trajectory
    except CommandError:
        return
    assert {len(row) for row in (*trajectory.positions, *trajectory.velocities)} <= {len(JOINTS)}
    assert all(map(isfinite, (v for row in trajectory.positions for v in row)))


def test_a_number_that_is_not_in_the_bytes_is_told() -> None:
    """The places must be given in the order of the message."""
    message = messages.joint_state_message(0, ('a',), (0.0,), (0.0,))
    stamp = message.header.stamp
    with pytest.raises(ValueError, match='1 of 2 places'):
        FixedMessage(message, [(stamp, 'nanosec'), (stamp, 'sec')])
