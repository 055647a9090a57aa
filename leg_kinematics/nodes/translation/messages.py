# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Between standard ROS messages and the plain values of the layers below."""

from collections.abc import Sequence
from math import isfinite, nan

from builtin_interfaces.msg import Duration, Time
from geometry_msgs.msg import (
    Point,
    PoseStamped,
    Quaternion,
    Transform,
    TransformStamped,
    Twist,
    TwistStamped,
    Vector3,
)
from nav_msgs.msg import Odometry
from sensor_msgs.msg import JointState, MultiDOFJointState
from std_msgs.msg import Float64MultiArray, MultiArrayDimension
from trajectory_msgs.msg import (
    JointTrajectory,
    JointTrajectoryPoint,
    MultiDOFJointTrajectory,
    MultiDOFJointTrajectoryPoint,
)
from transforms3d.euler import euler2quat, quat2euler

from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.solving import check_finite, check_names
from leg_kinematics.chain.values import (
    NANOSECONDS,
    FootTargets,
    JointLimits,
    JointTargets,
    Odom,
    RobotReport,
)
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Covariance, Offset
from leg_kinematics.gait import Twist as BodyTwist
from leg_kinematics.nodes.translation.frames import FRAMES, Frames
from leg_kinematics.robot import Vector
from leg_kinematics.solver import Trajectory

#: The states of power by their numbers in `bridge/state`; new ones are added at the end.
POWER_STATES = tuple(PowerState)

#: What the numbers of `bridge/state` are.
REPORT = 'state session losses stamp_s stamp_ns lag_rad'

#: A velocity command beyond this, in m/s or rad/s, is taken for a fault of its sender.
HIGHEST_PLAUSIBLE_SPEED = 100.0

#: Variance of what odometry does not measure, m^2 and rad^2: of no use to whoever fuses it.
UNMEASURED_VARIANCE = 1e6

#: Least variance of what it does measure, (1 mm)^2 or (1 mrad)^2 and the same a second: a filter
#: takes no covariance that is singular.
LEAST_VARIANCE = 1e-6


def time_message(nanoseconds: int) -> Time:
    """Return a stamp from nanoseconds."""
    return Time(sec=nanoseconds // NANOSECONDS, nanosec=nanoseconds % NANOSECONDS)


def nanoseconds_of(stamp: Time | Duration) -> int:
    """Return nanoseconds of a stamp or a duration."""
    return int(stamp.sec) * NANOSECONDS + int(stamp.nanosec)


def seconds_of(stamp: Time | Duration) -> float:
    """Return seconds of a stamp or a duration."""
    return nanoseconds_of(stamp) / NANOSECONDS


def duration_message(seconds: float) -> Duration:
    """Return a duration from seconds."""
    nanoseconds = round(seconds * NANOSECONDS)
    return Duration(sec=nanoseconds // NANOSECONDS, nanosec=nanoseconds % NANOSECONDS)


def body_twist(message: Twist | TwistStamped) -> BodyTwist:
    """Take x, y and yaw of a velocity command.

    Raises
    ------
    CommandError
        A component is not finite, or larger than any robot can mean.

    """
    twist = message.twist if isinstance(message, TwistStamped) else message
    result = BodyTwist(twist.linear.x, twist.linear.y, twist.angular.z)
    if not result.finite:
        raise CommandError(f'cmd_vel must be finite, got {result}; it was refused')
    if max(abs(result.x), abs(result.y), abs(result.yaw)) > HIGHEST_PLAUSIBLE_SPEED:
        raise CommandError(
            f'cmd_vel must be within {HIGHEST_PLAUSIBLE_SPEED:g} m/s and rad/s, got {result}; '
            'it was refused'
        )
    return result


def body_twist_message(twist: BodyTwist, stamp: int) -> TwistStamped:
    """Make a velocity command, stamped in ns."""
    message = TwistStamped()
    message.header.stamp = time_message(stamp)
    message.twist.linear.x, message.twist.linear.y = twist.x, twist.y
    message.twist.angular.z = twist.yaw
    return message


def body_offset_message(offset: Offset, stamp: int) -> PoseStamped:
    """Make a body offset, relative to the standing pose, stamped in ns."""
    message = PoseStamped()
    message.header.stamp = time_message(stamp)
    message.pose.position = _point(offset.shift)
    message.pose.orientation = _quaternion(offset.rpy)
    return message


def foot_targets_message(
    targets: FootTargets, frame: str = FRAMES.base_frame
) -> MultiDOFJointTrajectory:
    """Make foot targets in the frame of the body."""
    message = MultiDOFJointTrajectory(joint_names=list(targets.legs))
    message.header.stamp = time_message(targets.stamp)
    message.header.frame_id = frame
    velocities = targets.velocities or [()] * len(targets.feet)
    message.points = [
        MultiDOFJointTrajectoryPoint(
            transforms=[_transform(foot) for foot in feet],
            velocities=[Twist(linear=_vector3(velocity)) for velocity in speeds],
            time_from_start=duration_message(time),
        )
        for time, feet, speeds in zip(targets.times, targets.feet, velocities, strict=True)
    ]
    return message


def _vector3(vector: Vector) -> Vector3:
    return Vector3(x=vector[0], y=vector[1], z=vector[2])


def _transform(point: Vector) -> Transform:
    transform = Transform(translation=_vector3(point))
    transform.rotation.w = 1.0
    return transform


def _vector(message: Vector3) -> Vector:
    return (message.x, message.y, message.z)


def body_offset(message: PoseStamped) -> Offset:
    """Read a body offset, relative to the standing pose.

    Raises
    ------
    CommandError
        A number is not finite, or the quaternion has no length.

    """
    position, orientation = message.pose.position, message.pose.orientation
    quaternion = (orientation.w, orientation.x, orientation.y, orientation.z)
    check_finite('body_offset', (position.x, position.y, position.z, *quaternion))
    if not any(quaternion):
        raise CommandError('body_offset has no orientation: all parts of its quaternion are zero')
    roll, pitch, yaw = (float(angle) for angle in quat2euler(quaternion, 'sxyz'))
    return Offset((position.x, position.y, position.z), (roll, pitch, yaw))


def foot_targets(message: MultiDOFJointTrajectory, frame: str = FRAMES.base_frame) -> FootTargets:
    """Read foot targets: a stream if its points have velocities, straight moves if they have none.

    Raises
    ------
    CommandError
        Frame or sizes are wrong, or some points have velocities and others have none; says which,
        and what was expected.

    """
    if message.header.frame_id not in {'', frame}:
        raise CommandError(f"foot_targets must be in '{frame}' (got '{message.header.frame_id}')")
    count = len(message.joint_names)
    for point in message.points:
        if len(point.transforms) != count or len(point.velocities) not in {0, count}:
            raise CommandError(
                f'each point of foot_targets needs {count} transforms and as many velocities '
                f'or none (got {len(point.transforms)} and {len(point.velocities)})'
            )
    streams = {bool(point.velocities) for point in message.points}
    if len(streams) > 1:
        raise CommandError(
            'some points of foot_targets have velocities and others have none: a stream has them '
            'in every point, straight moves in none'
        )
    return FootTargets(
        stamp=nanoseconds_of(message.header.stamp),
        legs=tuple(message.joint_names),
        times=tuple(seconds_of(point.time_from_start) for point in message.points),
        feet=[[_vector(each.translation) for each in point.transforms] for point in message.points],
        velocities=[[_vector(each.linear) for each in point.velocities] for point in message.points]
        if True in streams
        else None,
    )


def joint_trajectory_message(joints: Sequence[str], targets: JointTargets) -> JointTrajectory:
    """Make a trajectory message, rad and rad/s."""
    message = JointTrajectory(joint_names=list(joints))
    message.header.stamp = time_message(targets.stamp)
    trajectory = targets.trajectory
    message.points = [
        JointTrajectoryPoint(
            positions=list(positions),
            velocities=list(velocities),
            time_from_start=duration_message(time),
        )
        for time, positions, velocities in zip(
            trajectory.times, trajectory.positions, trajectory.velocities, strict=True
        )
    ]
    return message


def joint_targets(message: JointTrajectory, joints: Sequence[str]) -> JointTargets:
    """Read a trajectory of all joints or of some, and put it in the given order.

    Raises
    ------
    CommandError
        Names, sizes, times or numbers are wrong.

    """
    check_names('joint_trajectory', message.joint_names, joints)
    named = tuple(joint for joint in joints if joint in message.joint_names)
    for point in message.points:
        if len(point.positions) != len(named) or len(point.velocities) != len(named):
            raise CommandError(
                f'each point of joint_trajectory needs {len(named)} positions and velocities '
                f'(got {len(point.positions)} and {len(point.velocities)})'
            )
        check_finite('joint_trajectory', point.positions)
        check_finite('velocities of joint_trajectory', point.velocities)
    order = [message.joint_names.index(joint) for joint in named]
    return JointTargets(
        nanoseconds_of(message.header.stamp),
        Trajectory(
            tuple(seconds_of(point.time_from_start) for point in message.points),
            tuple(tuple(point.positions[i] for i in order) for point in message.points),
            tuple(tuple(point.velocities[i] for i in order) for point in message.points),
        ),
        named if len(named) < len(joints) else None,
    )


def limits_message(limits: JointLimits) -> JointTrajectory:
    """Make what the joints can do at most: one point, without positions."""
    point = JointTrajectoryPoint(
        velocities=list(limits.speeds),
        accelerations=[limits.acceleration] * len(limits.joints),
    )
    return JointTrajectory(joint_names=list(limits.joints), points=[point])


def joint_limits(message: JointTrajectory) -> JointLimits:
    """Read what the joints can do at most.

    Raises
    ------
    CommandError
        It has not one point with a velocity and an acceleration a joint.

    """
    count = len(message.joint_names)
    if (
        len(message.points) != 1
        or len(message.points[0].velocities) != count
        or len(message.points[0].accelerations) != count
        or not count
    ):
        raise CommandError(
            f'bridge/limits needs one point with {count} velocities and accelerations'
        )
    point = message.points[0]
    return JointLimits(
        tuple(message.joint_names), tuple(point.velocities), min(point.accelerations)
    )


def report_message(report: RobotReport) -> Float64MultiArray:
    """Make what the bridge tells of the robot."""
    message = Float64MultiArray()
    message.layout.dim = [MultiArrayDimension(label=REPORT, size=6, stride=6)]
    message.data = report_numbers(report)
    return message


def report_numbers(report: RobotReport) -> list[float]:
    """Return the numbers of `bridge/state`; `robot_report` reads them.

    They are, in this order: state, by its place in `POWER_STATES`; session; losses of power;
    seconds and nanoseconds of the stamp that the joints have come to, -1 and 0 where there is none;
    lag, rad. Each is exact in a double.
    """
    seconds, nanoseconds = (-1, 0) if report.stamp is None else divmod(report.stamp, NANOSECONDS)
    state = POWER_STATES.index(report.state)
    numbers = (state, report.session, report.losses, seconds, nanoseconds, report.lag)
    return [float(number) for number in numbers]


def robot_report(numbers: Sequence[float]) -> RobotReport:
    """Read the numbers of `bridge/state`.

    Raises
    ------
    CommandError
        They are no such report.

    """
    if len(numbers) != 6 or not all(map(isfinite, numbers)):
        raise CommandError(f'bridge/state must hold 6 finite numbers, {REPORT} (got {numbers})')
    state, session, losses, seconds, nanoseconds = (int(number) for number in numbers[:5])
    if not 0 <= state < len(POWER_STATES):
        raise CommandError(f'bridge/state has no state {state}; known are 0 to 5')
    return RobotReport(
        POWER_STATES[state],
        session,
        losses,
        None if seconds < 0 else seconds * NANOSECONDS + nanoseconds,
        numbers[5],
    )


def joint_state_message(
    stamp: int, joints: Sequence[str], positions: Sequence[float], velocities: Sequence[float]
) -> JointState:
    """Make joint states, rad and rad/s."""
    message = JointState(name=list(joints), position=list(positions), velocity=list(velocities))
    message.header.stamp = time_message(stamp)
    return message


def joint_positions(message: JointState, joints: Sequence[str]) -> tuple[float, ...] | None:
    """Positions of all joints in the given order, rad, or None unless each has a finite one."""
    positions = dict(zip(message.name, message.position, strict=False))
    if not all(isfinite(positions.get(joint, nan)) for joint in joints):
        return None
    return tuple(positions[joint] for joint in joints)


def foot_states_message(
    stamp: int, legs: Sequence[str], feet: Sequence[Vector], frame: str = FRAMES.base_frame
) -> MultiDOFJointState:
    """Make foot states in the frame of the body, m."""
    message = MultiDOFJointState(joint_names=list(legs))
    message.header.stamp = time_message(stamp)
    message.header.frame_id = frame
    message.transforms = [_transform(foot) for foot in feet]
    return message


def feet_of(message: MultiDOFJointState, legs: Sequence[str]) -> tuple[Vector, ...] | None:
    """Feet of all legs in the given order, m, or None unless each has a finite one."""
    feet = {
        name: _vector(transform.translation)
        for name, transform in zip(message.joint_names, message.transforms, strict=False)
    }
    if not all(isfinite(value) for leg in legs for value in feet.get(leg, (nan,))):
        return None
    return tuple(feet[leg] for leg in legs)


def odometry_message(odom: Odom, frames: Frames = FRAMES) -> Odometry:
    """Make odometry: pose of the body in `odom`, its twist in its own axes.

    The covariances are 6 x 6 row by row over x, y, z, roll, pitch, yaw (nav_msgs/Odometry). z,
    roll and pitch are known by the description only, as if the ground were flat and no servo
    gave way: they are reported, with a variance that tells nobody to rely on them.
    """
    motion = odom.motion
    message = Odometry()
    message.header.stamp = time_message(odom.stamp)
    message.header.frame_id = frames.odom_frame
    message.child_frame_id = frames.base_frame
    message.pose.pose.position = _point(motion.position)
    message.pose.pose.orientation = _quaternion(motion.rpy)
    message.pose.covariance = six_by_six(odom.trust)
    message.twist.twist.linear = _vector3(motion.linear)
    message.twist.twist.angular = _vector3(motion.angular)
    message.twist.covariance = six_by_six(odom.rate_trust)
    return message


def transform_messages(odom: Odom, frames: Frames = FRAMES) -> list[TransformStamped]:
    """Make the transforms from `odom` by the footprint to the body; in sequence they are its pose.

    The footprint has the place on the ground and the yaw of the body, and neither height, roll nor
    pitch (REP 120).
    """
    x, y, z = odom.motion.position
    roll, pitch, yaw = odom.motion.rpy
    stamp = time_message(odom.stamp)
    return [
        _transform_message(
            stamp, (frames.odom_frame, frames.footprint_frame), (x, y, 0.0), (0.0, 0.0, yaw)
        ),
        _transform_message(
            stamp, (frames.footprint_frame, frames.base_frame), (0.0, 0.0, z), (roll, pitch, 0.0)
        ),
    ]


def _transform_message(
    stamp: Time, ends: tuple[str, str], translation: Vector, rpy: Vector
) -> TransformStamped:
    message = TransformStamped()
    message.header.stamp = stamp
    message.header.frame_id, message.child_frame_id = ends
    message.transform.translation = _vector3(translation)
    message.transform.rotation = _quaternion(rpy)
    return message


def _point(vector: Vector) -> Point:
    return Point(x=vector[0], y=vector[1], z=vector[2])


def _quaternion(rpy: Vector) -> Quaternion:
    x, y, z, w = quaternion(rpy)
    return Quaternion(x=x, y=y, z=z, w=w)


def quaternion(rpy: Vector) -> tuple[float, float, float, float]:
    """Return x, y, z and w of fixed-axis roll, pitch and yaw, rad."""
    w, x, y, z = (float(part) for part in euler2quat(*rpy, 'sxyz'))
    return x, y, z, w


def six_by_six(covariance: Covariance) -> list[float]:
    """Return the 36 numbers of a covariance, row by row over x, y, z, roll, pitch and yaw."""
    c = covariance
    rows = [[0.0] * 6 for _ in range(6)]
    rows[0][0], rows[0][1], rows[0][5] = c.xx + LEAST_VARIANCE, c.xy, c.x_yaw
    rows[1][0], rows[1][1], rows[1][5] = c.xy, c.yy + LEAST_VARIANCE, c.y_yaw
    rows[5][0], rows[5][1], rows[5][5] = c.x_yaw, c.y_yaw, c.yaw_yaw + LEAST_VARIANCE
    for axis in (2, 3, 4):
        rows[axis][axis] = UNMEASURED_VARIANCE
    return [value for row in rows for value in row]
