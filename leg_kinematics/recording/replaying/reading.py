# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What of a recording is replayed, read from its messages."""

from collections.abc import Iterable, Iterator, Sequence
from operator import attrgetter
from typing import Any

from geometry_msgs.msg import Twist as TwistMessage
from geometry_msgs.msg import TwistStamped
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.values import JointLimits
from leg_kinematics.chain.walking import WalkingParameters
from leg_kinematics.errors import BagError, CommandError, LegKinematicsError
from leg_kinematics.nodes.running.catalogue import VelocityType
from leg_kinematics.nodes.translation import messages
from leg_kinematics.nodes.translation.cdr import message_of
from leg_kinematics.recording.bag.contents import Message
from leg_kinematics.recording.replaying.contents import (
    OF_FEET,
    OF_JOINTS,
    Event,
    JointsOf,
    Row,
    Stretch,
    Targets,
    Velocities,
    highest_rate,
    stretches_of,
)
from leg_kinematics.recording.replaying.playhead import AT_ONCE, SETTING_OFF_TIME, RateLimits
from leg_kinematics.recording.replaying.replay import Contents, Kind
from leg_kinematics.recording.run import Run, stamp_of
from leg_kinematics.robot import Vector
from leg_kinematics.solver import Trajectory

#: What drives a chain, by topic.
DRIVING = {
    'cmd_vel': Kind.VELOCITY,
    'foot_targets': Kind.FEET,
    'joint_trajectory': Kind.JOINTS,
}

#: What is replayed with velocities.
BESIDE_VELOCITIES = ('body_offset', 'gait/duty_factor')

#: Topics by which somebody gave orders, which a replay does not.
ORDERS = {
    'emergency_stop': 'a replay presses no emergency stop, and lifts none',
    'joy': 'its buttons gave orders, such as to stand up: replay cmd_vel',
    'orders': 'a replay gives no orders: call gait/stand and the others yourself',
}

#: A stamp farther from its receipt than this is of another clock, s.
OTHER_CLOCK = 1.0


def contents_of(
    run: Run, topics: Sequence[str], start: float, end: float, *, as_recorded: bool = False
) -> Contents:
    """Read what is replayed.

    Parameters
    ----------
    run
        The recording.
    topics
        By their names in the chain, or from the root; none for velocities with what belongs to
        them.
    start, end
        Of the part that is replayed, s from the beginning of the run.
    as_recorded
        Whether velocities and targets are sent message by message, instead of worked out.

    Raises
    ------
    BagError
        It is not in the recording, or cannot be replayed.

    """
    chosen = [each.removeprefix(run.namespace.rstrip('/') + '/') for each in topics]
    if not chosen:
        chosen = ['cmd_vel', *(each for each in BESIDE_VELOCITIES if run.of(each))]
    for topic in chosen:
        if topic in ORDERS:
            raise BagError(f'{topic} is not replayed: {ORDERS[topic]}')
        if not run.of(topic):
            recorded = ', '.join(sorted(run.topics))
            raise BagError(f'the recording has no {topic}; it has {recorded}')
    driving = [topic for topic in chosen if topic in DRIVING]
    if len(driving) > 1:
        raise BagError(
            f'{" and ".join(driving)} both drive the robot, one through the other: replay one'
        )
    kind = DRIVING[driving[0]] if driving else Kind.NOTHING
    whole = (Stretch(start, end),)
    if kind is Kind.NOTHING or as_recorded:
        return Contents(kind, whole, events=_events(run, chosen, start, end))
    events = _events(run, [topic for topic in chosen if topic not in DRIVING], start, end)
    if kind is Kind.VELOCITY:
        return Contents(kind, whole, _velocities(run), events)
    targets = _foot_targets(run) if kind is Kind.FEET else _joint_targets(run)
    continuity = OF_FEET if kind is Kind.FEET else OF_JOINTS
    stretches = stretches_of(targets, continuity, start, end)
    if not stretches:
        raise BagError(f'nothing of {driving[0]} is between {start:g} and {end:g} s')
    return Contents(kind, tuple(stretches), events=events)


def rate_limits(
    contents: Contents, speed: float, robot: CalibratedRobot | None, limits: JointLimits | None
) -> list[RateLimits]:
    """Tell how fast the stretches may be played.

    Parameters
    ----------
    contents
        What is replayed.
    speed
        That is asked for.
    robot, limits
        Who shall do it, and how fast its joints are driven at most; None where no targets are
        replayed.

    """
    if robot is None or limits is None or not contents.stretches[0].targets:
        gently = contents.velocities is not None
        time = SETTING_OFF_TIME if gently else AT_ONCE
        return [
            RateLimits(each.start, each.end, speed, setting_off_time=time)
            for each in contents.stretches
        ]
    joints_of = _joints_of_feet(robot) if contents.kind is Kind.FEET else _joints_by_name
    return [
        RateLimits(each.start, each.end, speed, highest_rate(each, limits, joints_of))
        for each in contents.stretches
    ]


def joints_at_start(contents: Contents, robot: CalibratedRobot) -> dict[str, float] | None:
    """Give the joint angles, rad, with which targets begin; None where they cannot be reached."""
    joints_of = _joints_of_feet(robot) if contents.kind is Kind.FEET else _joints_by_name
    first = contents.stretches[0]
    return joints_of(first.names, first.state(first.start)[0])


def _joints_by_name(names: tuple[str, ...], row: Row) -> dict[str, float]:
    return dict(zip(names, row, strict=True))


def _joints_of_feet(robot: CalibratedRobot) -> JointsOf:
    solvers = {leg.name: leg for leg in robot.legs}

    def joints_of(names: tuple[str, ...], row: Row) -> dict[str, float] | None:
        found: dict[str, float] = {}
        for index, name in enumerate(names):
            x, y, z = row[3 * index : 3 * index + 3]
            foot: Vector = (x, y, z)
            try:
                solver = solvers[name]
                found |= zip(solver.joints, solver.angles(foot), strict=True)
            except (KeyError, LegKinematicsError):
                # Whoever obeys the targets says what is wrong with them.
                return None
        return found

    return joints_of


# ---- messages


def _events(run: Run, topics: Iterable[str], start: float, end: float) -> tuple[Event, ...]:
    found = [
        Event(at, message.topic, message.data)
        for topic in topics
        for message in run.of(topic)
        if start <= (at := run.instant(message.received)) <= end
    ]
    return tuple(sorted(found, key=attrgetter('at')))


def _velocities(run: Run) -> Velocities:
    declared = run.parameters.get('gait', {})
    twist = declared.get('cmd_vel_type') == VelocityType.TWIST
    kind: type[Any] = TwistMessage if twist else TwistStamped
    read = []
    for at, message in run.read('cmd_vel', kind):
        try:
            read.append((at, messages.body_twist(message)))
        except CommandError:
            # The gait refused it, and went on as before.
            continue
    if not read:
        raise BagError('every cmd_vel of the recording was refused by the gait')
    instants, twists = zip(*sorted(read, key=lambda each: each[0]), strict=True)
    silence = float(declared.get('silence', WalkingParameters().silence))
    return Velocities(instants, twists, silence)


def _joint_targets(run: Run) -> Iterator[Targets]:
    for each in run.of('joint_trajectory'):
        message = message_of(each.data, JointTrajectory)
        try:
            targets = messages.joint_targets(message, message.joint_names)
        except CommandError:
            # The bridge refused it, and went on as before.
            continue
        yield Targets(_start(run, each), tuple(message.joint_names), targets.trajectory)


def _foot_targets(run: Run) -> Iterator[Targets]:
    for each in run.of('foot_targets'):
        message = message_of(each.data, MultiDOFJointTrajectory)
        try:
            targets = messages.foot_targets(message, message.header.frame_id)
        except CommandError:
            # The kinematics refused it, and went on as before.
            continue
        if targets.velocities is None:
            raise BagError(
                'foot_targets of the recording has straight moves, whose way the kinematics found: '
                'replay joint_trajectory'
            )
        trajectory = Trajectory(
            targets.times,
            tuple(tuple(c for foot in row for c in foot) for row in targets.feet),
            tuple(tuple(c for foot in row for c in foot) for row in targets.velocities),
        )
        yield Targets(_start(run, each), targets.legs, trajectory)


def _start(run: Run, message: Message) -> float:
    """Tell when targets begin: by their stamp, unless it is none, or of another clock."""
    sent, stamp = run.instant(message.sent), run.instant(stamp_of(message))
    return stamp if abs(stamp - sent) <= OTHER_CLOCK else sent
