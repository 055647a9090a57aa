# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Messages: what is written is read again, and what is wrong is refused with a reason."""

from collections.abc import Callable
from math import copysign, inf, nan, pi

import numpy as np
import pytest
from builtin_interfaces.msg import Duration, Time
from geometry_msgs.msg import Transform, TransformStamped, Twist, TwistStamped, Vector3
from hypothesis import given
from hypothesis import strategies as st
from nav_msgs.msg import Odometry
from numpy.typing import NDArray
from rclpy.serialization import deserialize_message, serialize_message
from sensor_msgs.msg import JointState, MultiDOFJointState
from std_msgs.msg import Float64MultiArray
from trajectory_msgs.msg import (
    JointTrajectory,
    JointTrajectoryPoint,
    MultiDOFJointTrajectory,
    MultiDOFJointTrajectoryPoint,
)
from transforms3d.affines import compose
from transforms3d.quaternions import quat2mat

from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import FootTargets, JointTargets, Odom, RobotReport
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import BodyMotion, Covariance
from leg_kinematics.gait import Twist as BodyTwist
from leg_kinematics.nodes.translation import messages
from leg_kinematics.nodes.translation.frames import Frames
from leg_kinematics.robot import Vector
from leg_kinematics.solver import Trajectory

LEGS = ('left_front', 'right_front')
JOINTS = ('coxa', 'femur', 'tibia')
STAMP = Time(sec=1_800_000_000, nanosec=250_000_000)
STAMP_NS = 1_800_000_000_250_000_000

numbers = st.floats(-1e3, 1e3)
vectors = st.tuples(numbers, numbers, numbers)


@given(st.integers(-(2**31) * 10**9, 2**31 * 10**9 - 1))
def test_stamps_keep_every_nanosecond(nanoseconds: int) -> None:
    """Also negative ones and those near the end of what a stamp can hold."""
    stamp = messages.time_message(nanoseconds)
    assert messages.nanoseconds_of(stamp) == nanoseconds
    assert 0 <= stamp.nanosec < 10**9


@given(st.floats(-1e6, 1e6))
def test_durations_keep_nanoseconds(seconds: float) -> None:
    """Also negative ones; half a nanosecond is lost at most."""
    duration = messages.duration_message(seconds)
    assert 0 <= duration.nanosec < 10**9
    assert messages.seconds_of(duration) == pytest.approx(seconds, abs=0.6e-9, rel=1e-15)


def test_a_negative_duration_by_hand() -> None:
    """builtin_interfaces/Duration: -1.5 s is -2 s and 500 000 000 ns."""
    assert messages.duration_message(-1.5) == Duration(sec=-2, nanosec=500_000_000)
    assert messages.seconds_of(Duration(sec=-2, nanosec=500_000_000)) == -1.5


@pytest.mark.parametrize('stamped', [True, False])
def test_a_velocity_command_is_read_from_both_types(*, stamped: bool) -> None:
    """X, y and yaw count; what a walking body cannot do is left out."""
    twist = Twist(linear=Vector3(x=0.1, y=-0.2, z=9.0), angular=Vector3(x=8.0, y=7.0, z=0.3))
    message = TwistStamped(twist=twist) if stamped else twist
    assert messages.body_twist(message) == BodyTwist(0.1, -0.2, 0.3)


@pytest.mark.parametrize('value', [nan, inf, -inf])
@pytest.mark.parametrize('part', ['x', 'y', 'yaw'])
def test_a_velocity_command_must_be_finite(part: str, value: float) -> None:
    """One bad component refuses the command."""
    twist = Twist()
    if part == 'yaw':
        twist.angular.z = value
    else:
        setattr(twist.linear, part, value)
    with pytest.raises(CommandError, match='cmd_vel must be finite'):
        messages.body_twist(twist)


@pytest.mark.parametrize('value', [101.0, -101.0, 1e9, -1e300])
@pytest.mark.parametrize('part', ['x', 'y', 'yaw'])
def test_an_absurd_velocity_command_is_refused(part: str, value: float) -> None:
    """Beyond 100 m/s or rad/s nobody means it; at that bound the limits of the gait act."""
    for size, refused in ((value, True), (copysign(100.0, value), False)):
        twist = Twist()
        if part == 'yaw':
            twist.angular.z = size
        else:
            setattr(twist.linear, part, size)
        if refused:
            with pytest.raises(CommandError, match='cmd_vel must be within 100 m/s and rad/s'):
                messages.body_twist(twist)
        else:
            assert messages.body_twist(twist) == BodyTwist(**{part: size})


def same_on_the_wire(targets: FootTargets) -> MultiDOFJointTrajectory:
    """Make a message of foot targets and let it go over the wire."""
    message = messages.foot_targets_message(targets)
    wired = deserialize_message(serialize_message(message), MultiDOFJointTrajectory)
    assert wired.header.stamp == STAMP
    assert wired.header.frame_id == 'base_link'
    for point in wired.points:
        assert all(transform.rotation.w == 1.0 for transform in point.transforms)
    return wired


@given(st.lists(st.tuples(vectors, vectors, vectors, vectors), min_size=1, max_size=3))
def test_a_stream_of_feet_goes_through_the_wire(rows: list[tuple[Vector, ...]]) -> None:
    """Serialised and read again, stamp, names, times, feet and velocities are the same."""
    stream = FootTargets(
        STAMP_NS,
        LEGS,
        tuple(0.01 * tick for tick in range(len(rows))),
        [[a, b] for a, b, _, _ in rows],
        [[c, d] for _, _, c, d in rows],
    )
    assert messages.foot_targets(same_on_the_wire(stream)) == stream


@given(st.lists(st.tuples(vectors, vectors), min_size=1, max_size=3))
def test_straight_moves_go_through_the_wire_without_velocities(
    rows: list[tuple[Vector, ...]],
) -> None:
    """No velocity says that the feet go straight, from rest to rest, however near the points."""
    times = tuple(0.01 * (tick + 1) for tick in range(len(rows)))
    moves = FootTargets(STAMP_NS, LEGS, times, [[a, b] for a, b in rows], None)
    wired = same_on_the_wire(moves)
    assert all(point.velocities == [] for point in wired.points)
    assert messages.foot_targets(wired) == moves


def good_targets() -> MultiDOFJointTrajectory:
    """Make foot targets in which nothing is wrong yet."""
    feet = [[(0.1, 0.2, -0.1), (0.1, -0.2, -0.1)]] * 2
    velocities = [[(1.0, 2.0, 3.0), (4.0, 5.0, 6.0)]] * 2
    return messages.foot_targets_message(FootTargets(STAMP_NS, LEGS, (0.0, 0.01), feet, velocities))


def test_foot_targets_need_neither_stamp_nor_frame() -> None:
    """Without a stamp they are for now, and an empty frame is the body's."""
    message = MultiDOFJointTrajectory(joint_names=['right_front'])
    message.points = [
        MultiDOFJointTrajectoryPoint(
            transforms=[Transform(translation=Vector3(x=1.0))],
            time_from_start=Duration(sec=2),
        )
    ]
    assert messages.foot_targets(message) == FootTargets(
        0, ('right_front',), (2.0,), [[(1.0, 0.0, 0.0)]], None
    )


def _frame(message: MultiDOFJointTrajectory) -> None:
    message.header.frame_id = 'odom'


def _few_transforms(message: MultiDOFJointTrajectory) -> None:
    message.points[1].transforms = message.points[1].transforms[:1]


def _few_velocities(message: MultiDOFJointTrajectory) -> None:
    message.points[1].velocities = message.points[1].velocities[:1]


def _velocities_in_one_point(message: MultiDOFJointTrajectory) -> None:
    message.points[0].velocities = []


@pytest.mark.parametrize(
    ('spoil', 'words'),
    [
        (_frame, "must be in 'base_link' \\(got 'odom'\\)"),
        (_few_transforms, 'needs 2 transforms .* \\(got 1 and 2\\)'),
        (_few_velocities, 'needs 2 transforms .* \\(got 2 and 1\\)'),
        (_velocities_in_one_point, 'a stream has them in every point, straight moves in none'),
    ],
)
def test_foot_targets_of_a_wrong_shape_are_refused(
    spoil: Callable[[MultiDOFJointTrajectory], None], words: str
) -> None:
    """Each error says what was expected and what was got; names and numbers the stage judges.

    trajectory_msgs/MultiDOFJointTrajectory: the length and order of each point's arrays are those
    of `joint_names`; the times rise as in trajectory_msgs/JointTrajectory.
    """
    message = good_targets()
    messages.foot_targets(message)
    spoil(message)
    with pytest.raises(CommandError, match=words):
        messages.foot_targets(message)


TRAJECTORY = Trajectory(
    (0.0, 0.01, 0.07),
    ((1.0, 2.0, 3.0), (1.1, 2.1, 3.1), (1.2, 2.2, 3.2)),
    ((0.1, 0.2, 0.3), (0.4, 0.5, 0.6), (0.7, 0.8, 0.9)),
)


def good_trajectory() -> JointTrajectory:
    """Make a joint trajectory in which nothing is wrong yet."""
    return messages.joint_trajectory_message(JOINTS, JointTargets(STAMP_NS, TRAJECTORY))


def test_joint_trajectories_go_through_the_wire() -> None:
    """Serialised and read again they are the same."""
    wired = deserialize_message(serialize_message(good_trajectory()), JointTrajectory)
    assert wired.header.stamp == STAMP
    assert messages.joint_targets(wired, JOINTS) == JointTargets(STAMP_NS, TRAJECTORY)


@given(st.permutations(range(3)))
def test_the_order_of_the_joints_is_the_readers(order: list[int]) -> None:
    """A sender lists the joints as it likes: `joint_names` of JointTrajectory tells the order."""
    shuffled = Trajectory(
        TRAJECTORY.times,
        tuple(tuple(row[i] for i in order) for row in TRAJECTORY.positions),
        tuple(tuple(row[i] for i in order) for row in TRAJECTORY.velocities),
    )
    names = [JOINTS[i] for i in order]
    message = messages.joint_trajectory_message(names, JointTargets(STAMP_NS, shuffled))
    assert messages.joint_targets(message, JOINTS).trajectory == TRAJECTORY


def _joint_missing(message: JointTrajectory) -> None:
    message.joint_names = ['coxa', 'femur']


def _joint_unknown(message: JointTrajectory) -> None:
    message.joint_names = ['coxa', 'femur', 'tarsus']


def _joint_twice(message: JointTrajectory) -> None:
    message.joint_names = ['coxa', 'femur', 'femur']


def _joint_none(message: JointTrajectory) -> None:
    message.joint_names = []


def _position_missing(message: JointTrajectory) -> None:
    message.points[1].positions = [1.0, 2.0]


def _velocities_missing(message: JointTrajectory) -> None:
    message.points[2].velocities = []


def _position_nan(message: JointTrajectory) -> None:
    message.points[2].positions[1] = nan


def _velocity_infinite(message: JointTrajectory) -> None:
    message.points[0].velocities[0] = inf


def _times_equal(message: JointTrajectory) -> None:
    message.points[1].time_from_start = Duration()


def _times_backward(message: JointTrajectory) -> None:
    message.points[2].time_from_start = Duration(sec=-1)


def _points_missing(message: JointTrajectory) -> None:
    message.points = []


@pytest.mark.parametrize(
    ('spoil', 'words'),
    [
        (_joint_missing, 'needs 2 positions and velocities \\(got 3 and 3\\)'),
        (_joint_unknown, 'unknown names: tarsus; known are coxa, femur, tibia'),
        (_joint_twice, 'names something twice'),
        (_joint_none, 'names nothing'),
        (_position_missing, 'needs 3 positions and velocities \\(got 2 and 3\\)'),
        (_velocities_missing, 'needs 3 positions and velocities \\(got 3 and 0\\)'),
        (_position_nan, 'joint_trajectory has a number that is not finite'),
        (_velocity_infinite, 'velocities of joint_trajectory has a number that is not finite'),
        (_times_equal, 'time_from_start must increase strictly'),
        (_times_backward, 'time_from_start must increase strictly'),
        (_points_missing, 'one row of positions'),
    ],
)
def test_wrong_joint_trajectories_are_refused(
    spoil: Callable[[JointTrajectory], None], words: str
) -> None:
    """Each error says what was expected and what was got.

    trajectory_msgs/JointTrajectory and JointTrajectoryPoint: each array has the length and order of
    `joint_names`, or is empty, and `time_from_start` rises.
    """
    message = good_trajectory()
    messages.joint_targets(message, JOINTS)
    spoil(message)
    with pytest.raises(CommandError, match=words):
        messages.joint_targets(message, JOINTS)


def test_joint_states_are_read_in_any_order_and_with_more_joints() -> None:
    """Positions come in the order of the reader; sensor_msgs/JointState names each joint."""
    message = messages.joint_state_message(STAMP_NS, JOINTS, (1.0, 2.0, 3.0), (0.1, 0.2, 0.3))
    assert message.header.stamp == STAMP
    assert list(message.velocity) == [0.1, 0.2, 0.3]  # rad/s (sensor_msgs/JointState)
    message.name = ['tibia', 'camera', 'coxa', 'femur']
    message.position = [3.0, 9.0, 1.0, 2.0]
    assert messages.joint_positions(message, JOINTS) == (1.0, 2.0, 3.0)


@pytest.mark.parametrize(
    'message',
    [
        JointState(),
        JointState(name=['coxa', 'femur'], position=[1.0, 2.0]),
        JointState(name=['coxa', 'femur', 'tibia'], position=[1.0, 2.0]),
        JointState(name=['coxa', 'femur', 'tibia']),
        JointState(name=['coxa', 'femur', 'tibia'], position=[1.0, nan, 3.0]),
    ],
)
def test_joint_states_that_lack_a_joint_say_nothing(message: JointState) -> None:
    """Another source of joint states, or one without positions or with NaN, is left alone."""
    assert messages.joint_positions(message, JOINTS) is None


@given(vectors, vectors)
def test_foot_states_go_through_the_wire(
    left: tuple[float, float, float], right: tuple[float, float, float]
) -> None:
    """Serialised and read again, also in another order, every foot is the same."""
    message = messages.foot_states_message(STAMP_NS, LEGS, (left, right))
    wired = deserialize_message(serialize_message(message), MultiDOFJointState)
    assert wired.header.frame_id == 'base_link'
    assert wired.header.stamp == STAMP
    assert messages.feet_of(wired, LEGS) == (left, right)
    assert messages.feet_of(wired, LEGS[::-1]) == (right, left)
    assert messages.feet_of(wired, (*LEGS, 'tail')) is None


def test_foot_states_that_are_not_finite_say_nothing() -> None:
    """A gait must not take over from NaN."""
    message = messages.foot_states_message(STAMP_NS, LEGS, ((0.0, 0.0, 0.0), (0.0, inf, 0.0)))
    assert messages.feet_of(message, LEGS) is None
    assert messages.feet_of(message, LEGS[:1]) == ((0.0, 0.0, 0.0),)


def motion(
    position: Vector = (0.0, 0.0, 0.0),
    rpy: Vector = (0.0, 0.0, 0.0),
    linear: Vector = (0.0, 0.0, 0.0),
    angular: Vector = (0.0, 0.0, 0.0),
) -> BodyMotion:
    """Make a motion of the body."""
    return BodyMotion(position, rpy, linear, angular)


@given(vectors, st.tuples(*[st.floats(-pi, pi)] * 3), vectors, vectors)
def test_odometry_and_transforms_turn_as_rep_103_says(
    position: Vector, rpy: Vector, linear: Vector, angular: Vector
) -> None:
    """Fixed axes: roll about x, then pitch about y, then yaw about z; the same in all of them.

    From `odom` the transforms lead to the footprint, which is on the ground and level and has the
    yaw of the body (REP 120, `base_footprint`), and from there to the body (REP 105: every frame
    has one parent).

    The axes are turned here by their rotation matrices, the quaternion is read by transforms3d.
    """
    odom = Odom(STAMP_NS, motion(position, rpy, linear, angular), Covariance(), Covariance())
    message = messages.odometry_message(odom)
    message = deserialize_message(serialize_message(message), Odometry)
    assert (message.header.frame_id, message.child_frame_id) == ('odom', 'base_link')
    assert message.header.stamp == STAMP
    place, turn = message.pose.pose.position, message.pose.pose.orientation
    assert (place.x, place.y, place.z) == position
    (cr, cp, cy), (sr, sp, sy) = np.cos(rpy), np.sin(rpy)
    expected = (
        np.array([[cy, -sy, 0.0], [sy, cy, 0.0], [0.0, 0.0, 1.0]])
        @ np.array([[cp, 0.0, sp], [0.0, 1.0, 0.0], [-sp, 0.0, cp]])
        @ np.array([[1.0, 0.0, 0.0], [0.0, cr, -sr], [0.0, sr, cr]])
    )
    quaternion = (turn.w, turn.x, turn.y, turn.z)
    np.testing.assert_allclose(quat2mat(quaternion), expected, atol=1e-12)
    assert np.linalg.norm(quaternion) == pytest.approx(1.0, abs=1e-15)
    speed, spin = message.twist.twist.linear, message.twist.twist.angular
    assert ((speed.x, speed.y, speed.z), (spin.x, spin.y, spin.z)) == (linear, angular)
    footprint, body = (
        deserialize_message(serialize_message(each), TransformStamped)
        for each in messages.transform_messages(odom)
    )
    assert footprint.header.stamp == body.header.stamp == STAMP
    assert (footprint.header.frame_id, footprint.child_frame_id) == ('odom', 'base_footprint')
    assert (body.header.frame_id, body.child_frame_id) == ('base_footprint', 'base_link')
    assert footprint.transform.translation.z == 0.0
    assert (footprint.transform.rotation.x, footprint.transform.rotation.y) == (0.0, 0.0)
    found = affine(footprint) @ affine(body)
    np.testing.assert_allclose(found[:3, :3], expected, atol=1e-12)
    np.testing.assert_allclose(found[:3, 3], position, atol=1e-9)


def affine(message: TransformStamped) -> NDArray[np.float64]:
    """Return a transform as a matrix, by transforms3d."""
    way, turn = message.transform.translation, message.transform.rotation
    rotation = quat2mat((turn.w, turn.x, turn.y, turn.z))
    matrix: NDArray[np.float64] = compose((way.x, way.y, way.z), rotation, (1.0, 1.0, 1.0))
    return matrix


def test_frames_have_the_names_that_are_given() -> None:
    """Odometry, transforms, foot targets and foot states; another frame is refused by name."""
    frames = Frames(odom_frame='field', footprint_frame='shadow', base_frame='trunk')
    odom = Odom(STAMP_NS, motion(), Covariance(), Covariance())
    message = messages.odometry_message(odom, frames)
    assert (message.header.frame_id, message.child_frame_id) == ('field', 'trunk')
    assert [
        (each.header.frame_id, each.child_frame_id)
        for each in messages.transform_messages(odom, frames)
    ] == [('field', 'shadow'), ('shadow', 'trunk')]
    feet = ((0.0, 0.0, 0.0),)
    assert messages.foot_states_message(1, ('a',), feet, 'trunk').header.frame_id == 'trunk'
    targets = FootTargets(1, ('a',), (1.0,), [list(feet)], None)
    told = messages.foot_targets_message(targets, 'trunk')
    assert messages.foot_targets(told, 'trunk') == targets
    with pytest.raises(CommandError, match="must be in 'base_link' \\(got 'trunk'\\)"):
        messages.foot_targets(told)


def test_a_quarter_turn_to_the_left_by_hand() -> None:
    """Yaw 90 deg is the quaternion (w, z) = (cos 45 deg, sin 45 deg), order x, y, z, w apart."""
    odom = Odom(STAMP_NS, motion(rpy=(0.0, 0.0, pi / 2)), Covariance(), Covariance())
    turn = messages.transform_messages(odom)[0].transform.rotation
    assert (turn.w, turn.z) == pytest.approx((0.7071067811865476, 0.7071067811865476))


def test_covariances_are_written_row_by_row() -> None:
    """nav_msgs/Odometry: 6 x 6 over x, y, z and the turns about x, y, z, yaw the last.

    Every number has its place, the matrix is symmetric and positive definite, and what is not
    measured has a variance of 1e6.
    """
    pose = Covariance(xx=4.0, xy=1.0, yy=5.0, x_yaw=-0.5, y_yaw=0.25, yaw_yaw=2.0)
    twist = Covariance(xx=0.01, yy=0.01, yaw_yaw=0.04)
    message = messages.odometry_message(Odom(STAMP_NS, motion(), pose, twist))
    full = np.array(message.pose.covariance).reshape(6, 6)
    expected = np.diag([0.0, 0.0, 1e6, 1e6, 1e6, 0.0])
    seen = np.ix_([0, 1, 5], [0, 1, 5])
    expected[seen] = [[4.0, 1.0, -0.5], [1.0, 5.0, 0.25], [-0.5, 0.25, 2.0]]
    np.testing.assert_allclose(full, expected, atol=2e-6)
    rate = np.array(message.twist.covariance).reshape(6, 6)
    np.testing.assert_allclose(rate, np.diag([0.01, 0.01, 1e6, 1e6, 1e6, 0.04]), atol=2e-6)
    still = messages.odometry_message(Odom(STAMP_NS, motion(), Covariance(), Covariance()))
    for matrix in (
        full,
        rate,
        *np.reshape([still.pose.covariance, still.twist.covariance], (2, 6, 6)),
    ):
        np.testing.assert_array_equal(matrix, matrix.T)
        assert np.linalg.eigvalsh(matrix).min() >= 0.9e-6


def test_a_point_holds_one_value_a_joint() -> None:
    """What is written is what trajectory_msgs/JointTrajectoryPoint says: parallel lists."""
    point: JointTrajectoryPoint = good_trajectory().points[2]
    assert list(point.positions) == [1.2, 2.2, 3.2]
    assert list(point.velocities) == [0.7, 0.8, 0.9]
    assert point.time_from_start == Duration(sec=0, nanosec=70_000_000)


def wired_report(report: RobotReport) -> Float64MultiArray:
    """Make a message of a report and let it go over the wire."""
    message = messages.report_message(report)
    return deserialize_message(serialize_message(message), Float64MultiArray)


@given(
    st.sampled_from(PowerState),
    st.integers(0, 2**32 - 1),
    st.integers(0, 2**31),
    st.none() | st.integers(0, 2**31 * 10**9 - 1),
    st.floats(0.0, 10.0),
)
def test_reports_of_the_robot_go_through_the_wire(
    state: PowerState, session: int, losses: int, stamp: int | None, lag: float
) -> None:
    """Serialised and read again, every number is the same, stamps to the nanosecond."""
    report = RobotReport(state, session, losses, stamp, lag)
    assert messages.robot_report(wired_report(report).data) == report


def test_the_numbers_of_a_report_by_hand() -> None:
    """For whoever listens without this package: the label names them in their order."""
    report = RobotReport(PowerState.FOLLOWING, 7, 2, 1_800_000_000_250_000_001, 0.25)
    message = messages.report_message(report)
    assert list(message.data) == [3.0, 7.0, 2.0, 1_800_000_000.0, 250_000_001.0, 0.25]
    assert [dimension.label for dimension in message.layout.dim] == [
        'state session losses stamp_s stamp_ns lag_rad'
    ]
    nowhere = messages.report_message(RobotReport(PowerState.RELEASED, 7, 3, None, 0.0))
    assert list(nowhere.data) == [1.0, 7.0, 3.0, -1.0, 0.0, 0.0]


@pytest.mark.parametrize(
    ('data', 'words'),
    [
        ([], 'must hold 6 finite numbers'),
        ([3.0, 7.0, 2.0, 1.0, 2.0], 'must hold 6 finite numbers'),
        ([3.0, 7.0, 2.0, 1.0, 2.0, nan], 'must hold 6 finite numbers'),
        ([3.0, inf, 2.0, 1.0, 2.0, 0.0], 'must hold 6 finite numbers'),
        ([6.0, 7.0, 2.0, 1.0, 2.0, 0.0], 'no state 6; known are 0 to 5'),
        ([-1.0, 7.0, 2.0, 1.0, 2.0, 0.0], 'no state -1'),
    ],
)
def test_what_is_no_report_is_refused(data: list[float], words: str) -> None:
    """The error says what a report holds."""
    with pytest.raises(CommandError, match=words):
        messages.robot_report(data)
