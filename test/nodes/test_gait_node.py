# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `gait` alone: it takes over from the feet as they are, and obeys only what is sound."""

from collections.abc import Callable, Iterator, Sequence
from itertools import count, pairwise
from math import atan, cos, inf, nan, sin
from pathlib import Path
from time import CLOCK_MONOTONIC, CLOCK_REALTIME, clock_gettime, monotonic_ns
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import rclpy
from builtin_interfaces.msg import Time
from diagnostic_msgs.msg import DiagnosticStatus
from geometry_msgs.msg import PoseStamped, Twist, TwistStamped
from nav_msgs.msg import Odometry
from rcl_interfaces.msg import Log
from rclpy.context import Context
from rclpy.node import Node
from sensor_msgs.msg import MultiDOFJointState
from std_msgs.msg import Bool, Float64
from std_srvs.srv import Trigger
from trajectory_msgs.msg import MultiDOFJointTrajectory
from transforms3d.euler import euler2mat, quat2euler
from visualization_msgs.msg import MarkerArray

from leg_kinematics.gait import BodyMotion, GaitParameters, Offset, Walker
from leg_kinematics.nodes import gait_node, messages, qos
from leg_kinematics.nodes.gait_node import POSE_INTERVAL, PREVIEW, GaitNode
from leg_kinematics.nodes.parameters import Value, as_overrides
from leg_kinematics.nodes.transforms import HAS_TF
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, Trajectory

if TYPE_CHECKING:
    from test.nodes.conftest import Probe
    from test.walk_record import WalkRecord

MAX_AGE = 1.0

#: At 100 Hz, ns.
TICK = 10_000_000

#: A machine that is busy elsewhere for less does not hold the node up, s.
SLOW_TICK = 0.05

#: A foot so near to its place needs no other step, m.
SETTLED = 2e-3

#: Elevation of a foot that stands, but for rounding, m.
ON_GROUND = 1e-9


@pytest.fixture
def start(probe: 'Probe', files: dict[str, str]) -> Callable[..., GaitNode]:
    """Start the node under test with some parameters."""

    def make(**parameters: Value) -> GaitNode:
        node = GaitNode(as_overrides({**files, 'rise_time': 0.2, **parameters}))
        probe.add(node)
        return node

    return make


@pytest.fixture
def standing(probe: 'Probe', start: Callable[..., GaitNode], bracken: Robot) -> list[Any]:
    """Start the node and let it stand up from the resting posture; return its foot targets."""
    start()
    targets = probe.record(MultiDOFJointTrajectory, 'foot_targets')
    tell_feet(probe, bracken)
    assert ask(probe, 'gait/stand').success
    probe.wait_for('gait', 'standing')
    return targets


def tell_feet(probe: 'Probe', robot: Robot) -> None:
    """Let the node know that the feet are in the resting posture."""
    publisher = probe.publisher(MultiDOFJointState, 'foot_states')
    publisher.publish(
        messages.foot_states_message(Time(sec=1), robot.leg_names, robot.resting.feet)
    )
    probe.wait_for('gait', 'waiting for gait/stand')


def ask(probe: 'Probe', name: str) -> Trigger.Response:
    """Call one of the services of the node."""
    response: Trigger.Response = probe.call(Trigger, name, Trigger.Request())
    return response


def command(probe: 'Probe', age: float = 0.0, x: float = 0.0) -> TwistStamped:
    """Make a velocity command that was stamped some seconds ago."""
    message = TwistStamped()
    now = probe.node.get_clock().now().nanoseconds
    message.header.stamp = messages.time_message(now - round(age * 1e9))
    message.twist.linear.x = x
    return message


def test_it_does_not_stand_without_knowing_where_the_feet_are(
    probe: 'Probe', start: Callable[..., GaitNode]
) -> None:
    """Refused with what is missing and what to do; crouching is refused as well."""
    start()
    targets = probe.record(MultiDOFJointTrajectory, 'foot_targets')
    refusal = ask(probe, 'gait/stand')
    assert not refusal.success
    assert 'no foot_states' in refusal.message
    assert 'activate the bridge' in refusal.message
    refusal = ask(probe, 'gait/crouch')
    assert not refusal.success
    assert 'gait/stand first' in refusal.message
    assert targets == []


def test_it_takes_over_from_the_feet_and_stands_up(
    probe: 'Probe', start: Callable[..., GaitNode], bracken: Robot
) -> None:
    """The first target is where the feet are, the last the standing posture."""
    start(rise_time=2.0)
    heard = probe.record(MultiDOFJointTrajectory, 'foot_targets')
    tell_feet(probe, bracken)
    assert ask(probe, 'gait/stand').success
    probe.until(lambda: heard, 'foot targets')
    assert tuple(heard[0].joint_names) == bracken.leg_names
    assert heard[0].header.frame_id == 'base_link'
    targets = messages.FootTargets(heard[0], bracken.leg_names)
    assert targets.times == pytest.approx([0.01 * ticks for ticks in PREVIEW])
    # A machine that is busy elsewhere may have made ten ticks of the rise of 55 mm: with u = 0.05,
    # 10 u^3 of it, by hand 0.07 mm.
    for foot, expected in zip(targets.feet[0], bracken.resting.feet, strict=True):
        assert foot == pytest.approx(expected, abs=1e-4)
    probe.wait_for('gait', 'standing')
    probe.until(
        lambda: (
            messages.FootTargets(heard[-1], bracken.leg_names).feet[-1]
            == [pytest.approx(foot, abs=1e-9) for foot in bracken.standing.feet]
        ),
        'the standing posture',
    )


def test_it_poses_the_body_over_its_feet(
    probe: 'Probe', standing: list[Any], bracken: Robot
) -> None:
    """Raised by 10 mm the feet are seen 10 mm lower; a pose out of reach is refused."""
    publisher = probe.publisher(PoseStamped, 'body_pose')
    message = PoseStamped()
    message.pose.position.z = 0.010
    publisher.publish(message)
    lower = [pytest.approx((x, y, z - 0.010), abs=1e-9) for x, y, z in bracken.standing.feet]
    probe.until(
        lambda: messages.FootTargets(standing[-1], bracken.leg_names).feet[-1] == lower,
        'the body 10 mm higher',
    )
    message.pose.position.z = 0.2
    publisher.publish(message)
    assert probe.wait_for_words('gait', 'cannot be posed so') == DiagnosticStatus.WARN
    assert messages.FootTargets(standing[-1], bracken.leg_names).feet[-1] == lower


def test_a_stream_of_body_poses_is_obeyed_now_and_then(
    probe: 'Probe', standing: list[Any], bracken: Robot, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of many poses some are worked out, well apart; the last one that was sent is taken up."""
    looked = [0]
    orders = []
    pose_body = Walker.pose_body

    def clock() -> int:
        looked[0] = monotonic_ns()
        return looked[0]

    def watched(walker: Walker, offset: Offset) -> None:
        # By the node's own look at the clock: a machine may be busy elsewhere since.
        orders.append((looked[0], offset.shift[2]))
        pose_body(walker, offset)

    monkeypatch.setattr(gait_node, 'monotonic_ns', clock)
    monkeypatch.setattr(Walker, 'pose_body', watched)
    publisher = probe.publisher(PoseStamped, 'body_pose')
    sent = count(1)

    def streamed() -> bool:
        message = PoseStamped()
        message.pose.position.z = 1e-5 * (next(sent) % 500)
        publisher.publish(message)
        return len(orders) == 3

    probe.until(streamed, 'the third order')
    assert next(sent) > 10
    assert min(np.diff([time for time, _ in orders])) >= POSE_INTERVAL
    message = PoseStamped()
    message.pose.position.z = 0.010
    publisher.publish(message)
    probe.until(lambda: orders[-1][1] == 0.010, 'the order that was sent last')
    lower = [pytest.approx((x, y, z - 0.010), abs=1e-9) for x, y, z in bracken.standing.feet]
    probe.until(
        lambda: messages.FootTargets(standing[-1], bracken.leg_names).feet[-1] == lower,
        'the body 10 mm higher',
    )


#: When the timer calls, in ticks. Late by just over a tick, and then at once for the tick that it
#: has missed, is what a busy machine does.
CALLS = {
    'on time': [float(tick) for tick in range(60)],
    'late by just over a tick': [0, 1, 2, 4.02, 4.05, 5, 6, 8.9, 9, 11.01, 11.03, 12, 13, 14, 15],
    'first late, then on time': [0.3, *map(float, range(1, 60))],
    'always another time': [tick + 0.45 * sin(12.9898 * tick) ** 2 for tick in range(60)],
    'late by several ticks': [0, 1, 5.2, 5.3, 6, 7, 12.999, 13.0, 14, 15],
}


@pytest.mark.parametrize('calls', CALLS.values(), ids=CALLS)
def test_the_time_of_the_walk_does_not_jump(
    probe: 'Probe',
    start: Callable[..., GaitNode],
    bracken: Robot,
    monkeypatch: pytest.MonkeyPatch,
    calls: Sequence[float],
) -> None:
    """Whenever the timer calls, each message goes on where the one before is by its stamp."""
    node = start()
    tell_feet(probe, bracken)
    assert ask(probe, 'gait/stand').success
    probe.wait_for('gait', 'standing')
    sent: list[MultiDOFJointTrajectory] = []
    now = [monotonic_ns()]
    begin = now[0] + 10 * TICK
    monkeypatch.setattr(gait_node, 'monotonic_ns', lambda: now[0])
    monkeypatch.setattr(node, '_targets', SimpleNamespace(publish=sent.append))
    for tick in range(-8, 100):  # until the feet swing
        now[0] = begin + tick * TICK
        node._on_cmd_vel(command(probe, x=0.08))  # noqa: SLF001
        node._on_tick()  # noqa: SLF001
    begin = now[0] + TICK
    del sent[:-1]
    for call in calls:
        now[0] = begin + round(call * TICK)
        node._on_cmd_vel(command(probe, x=0.08))  # noqa: SLF001
        node._on_tick()  # noqa: SLF001
    ways = [foot_way(message, bracken) for message in sent]
    for (before, earlier), (after, later) in pairwise(ways):
        assert later - earlier > 0.9 * TICK / 1e9
        assert after.sample(0.0) == pytest.approx(before.sample(later - earlier), abs=5e-5)
    late = (begin + round(calls[-1] * TICK)) / 1e9 - ways[-1][1]
    offset = clock_gettime(CLOCK_REALTIME) - clock_gettime(CLOCK_MONOTONIC)
    assert -0.5 * TICK / 1e9 <= late + offset < 1.1 * TICK / 1e9


def foot_way(message: MultiDOFJointTrajectory, robot: Robot) -> tuple[Trajectory, float]:
    """Give the way of all feet, m, and its stamp, s."""
    targets = messages.FootTargets(message, robot.leg_names)

    def row(vectors: Sequence[Vector] | None) -> tuple[float, ...]:
        assert vectors is not None
        return tuple(value for vector in vectors for value in vector)

    way = Trajectory(
        tuple(targets.times), tuple(map(row, targets.feet)), tuple(map(row, targets.velocities))
    )
    return way, messages.seconds_of(message.header.stamp)


def test_who_cannot_step_is_told_so(
    probe: 'Probe', start: Callable[..., GaitNode], bracken: Robot
) -> None:
    """A lift that no leg has room for: the robot may stand, and both answer and status warn."""
    start(lift=0.2)
    tell_feet(probe, bracken)
    answer = ask(probe, 'gait/stand')
    assert answer.success
    assert 'it will not walk: stride radius 0 mm of ' in answer.message
    level = probe.wait_for_words('gait', 'standing: stride radius 0 mm of ')
    assert level == DiagnosticStatus.WARN


def test_it_walks_as_told_and_stops_on_silence(probe: 'Probe', standing: list[Any]) -> None:
    """Odometry follows the command; after a while without one the robot stands again."""
    assert standing
    odometry = probe.record(Odometry, 'odom')
    publisher = probe.publisher(TwistStamped, 'cmd_vel')

    def at_full_speed() -> bool:
        publisher.publish(command(probe, x=0.05))
        return bool(odometry) and odometry[-1].twist.twist.linear.x == 0.05

    probe.until(at_full_speed, 'the speed that was told')
    probe.wait_for('gait', 'standing')
    assert max(message.twist.twist.linear.x for message in odometry) == 0.05
    assert odometry[-1].pose.pose.position.x > 0.01
    probe.until(lambda: odometry[-1].twist.twist.linear.x == 0.0, 'rest')


def fill(record: 'WalkRecord', targets: Sequence[Any], odometry: Sequence[Any]) -> None:
    """Put what the node said into a record."""
    motions = {str(each.header.stamp): motion_of(each) for each in odometry}
    begin = messages.seconds_of(odometry[0].header.stamp)
    for message in targets:
        motion = motions.get(str(message.header.stamp))
        if motion is None:
            continue
        ticks = (messages.seconds_of(message.header.stamp) - begin) / record.tick
        said = messages.FootTargets(message, message.joint_names)
        velocities = said.velocities[0]
        assert velocities is not None
        elevations = (
            motion.position[2] + (np.array(said.feet[0]) @ euler2mat(*motion.rpy, 'sxyz').T)[:, 2]
        )
        # Two clocks are read one after the other for a stamp, so that it is a little off its tick.
        time = record.tick * round(ticks)
        record.add(time, said.feet[0], velocities, (elevations < ON_GROUND).tolist(), motion)


def motion_of(message: Odometry) -> BodyMotion:
    """Read odometry."""
    place, turn = message.pose.pose.position, message.pose.pose.orientation
    roll, pitch, yaw = (float(angle) for angle in quat2euler((turn.w, turn.x, turn.y, turn.z)))
    speed, spin = message.twist.twist.linear, message.twist.twist.angular
    return BodyMotion(
        (place.x, place.y, place.z),
        (roll, pitch, yaw),
        (speed.x, speed.y, speed.z),
        (spin.x, spin.y, spin.z),
    )


def test_silence_in_mid_step_ends_in_an_ordinary_stop(
    *,
    probe: 'Probe',
    start: Callable[..., GaitNode],
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
    new_record: 'type[WalkRecord]',
    tmp_path: Path,
) -> None:
    """Three feet up and nobody speaks: no jump, no fall, and all feet go to their places."""
    start(rate=1.0 / SLOW_TICK)
    targets = probe.record(MultiDOFJointTrajectory, 'foot_targets')
    odometry = probe.record(Odometry, 'odom')
    tell_feet(probe, bracken)
    assert ask(probe, 'gait/stand').success
    probe.wait_for('gait', 'standing')
    publisher = probe.publisher(TwistStamped, 'cmd_vel')

    def feet() -> list[Vector]:
        return messages.FootTargets(targets[-1], bracken.leg_names).feet[0]

    def swings_at_full_speed() -> bool:
        publisher.publish(command(probe, x=0.1))
        fast = bool(odometry) and odometry[-1].twist.twist.linear.x > 0.08
        return fast and max(foot[2] for foot in feet()) > 0.025 - bracken.standing.height

    begun = len(targets)
    probe.until(swings_at_full_speed, 'feet in mid swing')
    spoken = len(targets)
    probe.wait_for('gait', 'standing')

    def settled() -> bool:
        off = np.abs(np.subtract(feet(), bracken.standing.feet))
        return bool((off <= (SETTLED, SETTLED, ON_GROUND)).all())

    probe.until(
        lambda: settled() and odometry[-1].header.stamp == targets[-1].header.stamp,
        'all feet in their places',
    )
    record = new_record(bracken, bracken_legs, SLOW_TICK)
    fill(record, targets[begun:spoken], odometry)
    record.mark('silence')
    fill(record, targets[spoken:], odometry)
    record.draw(tmp_path / 'walk.png')
    defaults = GaitParameters()
    record.check(
        acceleration=12.0, speed_share=defaults.speed_share, margin=defaults.min_margin, down=3
    )
    speeds = np.array([motion.linear[0] for motion in record.motions])
    assert speeds.max() > 0.08
    assert speeds[-1] == 0.0
    assert all(record.standing[-1])
    changes = defaults.acceleration * np.diff(record.times)
    assert (np.abs(np.diff(speeds)) <= changes + 1e-9).all()


def test_odometry_is_less_and_less_certain(
    probe: 'Probe', standing: list[Any], bracken: Robot
) -> None:
    """While it walks: the way's variance grows with the way; at rest both stay as they are.

    By hand: 2 % of 0.05 m/s, carried on for cycles of 1 s, is a variance of 1e-6 a second; the
    feet are sqrt(mean of x^2 + y^2) from the middle, and by that less the yaw's.
    """
    assert standing
    odometry = probe.record(Odometry, 'odom')
    publisher = probe.publisher(TwistStamped, 'cmd_vel')

    def at_full_speed() -> bool:
        publisher.publish(command(probe, x=0.05))
        return bool(odometry) and odometry[-1].twist.twist.linear.x == 0.05

    probe.until(at_full_speed, 'the speed that was told')
    probe.wait_for('gait', 'standing')
    steady = [each for each in odometry if each.twist.twist.linear.x == 0.05]
    assert len(steady) > 10
    first, last = steady[0], steady[-1]
    # By its way, because what a machine that is busy elsewhere takes is no time of the walk.
    seconds = (last.pose.pose.position.x - first.pose.pose.position.x) / 0.05
    growth = np.subtract(last.pose.covariance, first.pose.covariance)
    arm2 = np.mean([x * x + y * y for x, y, _ in bracken.standing.feet])
    assert growth[0] == pytest.approx(1e-6 * seconds, rel=0.02)
    assert growth[35] == pytest.approx(1e-6 / arm2 * seconds, rel=0.02)
    assert growth[0] / growth[35] == pytest.approx(arm2, rel=0.01)
    assert last.twist.covariance[0] - 1e-6 == pytest.approx(1e-6)
    probe.until(lambda: odometry[-1].twist.twist.linear.x == 0.0, 'rest')
    at_rest = odometry[-1]
    count = len(odometry)
    probe.until(lambda: len(odometry) > count + 20, 'more odometry')
    assert np.array_equal(odometry[-1].pose.covariance, at_rest.pose.covariance)
    assert odometry[-1].pose.pose == at_rest.pose.pose


def test_odometry_is_that_of_the_posed_body(
    probe: 'Probe', standing: list[Any], bracken: Robot
) -> None:
    """Raised and tilted, `base_link` is higher and tilted in `odom`, also while it gets there."""
    assert standing
    odometry = probe.record(Odometry, 'odom')
    publisher = probe.publisher(PoseStamped, 'body_pose')
    message = PoseStamped()
    message.pose.position.z = 0.005
    message.pose.orientation.x = 0.03
    publisher.publish(message)
    height = bracken.standing.height + 0.005
    probe.until(
        lambda: odometry and odometry[-1].pose.pose.position.z == pytest.approx(height, abs=1e-9),
        'the body 5 mm higher',
    )
    turn = odometry[-1].pose.pose.orientation
    assert (turn.w, turn.x) == pytest.approx((cos(atan(0.03)), sin(atan(0.03))), abs=1e-9)
    assert max(each.twist.twist.linear.z for each in odometry) > 0.005
    assert max(each.twist.twist.angular.x for each in odometry) > 0.05


def transforms(probe: 'Probe') -> list[Any]:
    """Listen to `/tf` where that can be."""
    if not HAS_TF:
        return []
    from tf2_msgs.msg import TFMessage  # noqa: PLC0415  is not everywhere

    return probe.record(TFMessage, '/tf')


@pytest.mark.parametrize('publish_tf', [True, False])
def test_transforms_are_told_where_ros_has_them(
    probe: 'Probe', start: Callable[..., GaitNode], bracken: Robot, *, publish_tf: bool
) -> None:
    """The same pose as odometry; without tf2_msgs or when it is not wanted, nobody offers /tf."""
    start(publish_tf=publish_tf)
    told = transforms(probe) if publish_tf else []
    odometry = probe.record(Odometry, 'odom')
    tell_feet(probe, bracken)
    assert ask(probe, 'gait/stand').success
    probe.wait_for('gait', 'standing')
    if not (HAS_TF and publish_tf):
        assert probe.node.count_publishers('/tf') == 0
        return
    poses = {str(each.header.stamp): each.pose.pose for each in odometry}
    known = [each for each in told if str(each.transforms[0].header.stamp) in poses]
    assert len(known) > 10
    for message in known:
        (transform,) = message.transforms
        pose = poses[str(transform.header.stamp)]
        assert (transform.header.frame_id, transform.child_frame_id) == ('odom', 'base_link')
        assert transform.transform.rotation == pose.orientation
        place = transform.transform.translation
        assert (place.x, place.y, place.z) == (pose.position.x, pose.position.y, pose.position.z)


def test_it_draws_the_walk_for_whoever_looks(
    probe: 'Probe', standing: list[Any], bracken: Robot
) -> None:
    """Markers come as soon as somebody listens, of the walk as it is."""
    assert standing
    drawn = probe.record(MarkerArray, 'gait/markers')
    names = {'feet', 'support', 'centre_of_mass'}
    probe.until(
        lambda: drawn and {marker.ns for marker in drawn[-1].markers} == names,
        'markers of a robot at rest',
    )
    feet = [(point.x, point.y) for point in drawn[-1].markers[0].points]
    assert feet == [pytest.approx((x, y), abs=1e-9) for x, y, _ in bracken.standing.feet]
    publisher = probe.publisher(TwistStamped, 'cmd_vel')

    def points_ahead() -> bool:
        publisher.publish(command(probe, x=0.05))
        return len(drawn[-1].markers) == 4

    probe.until(points_ahead, 'an arrow')


def test_the_duty_factor_follows_its_topic(probe: 'Probe', standing: list[Any]) -> None:
    """Diagnostics tell it, with phase, feet and margin of the walk; six legs wave on five feet."""
    assert standing
    probe.publisher(Float64, 'gait/duty_factor').publish(Float64(data=5.0 / 6.0))
    velocity = probe.publisher(TwistStamped, 'cmd_vel')
    values = probe.values

    def waves() -> bool:
        velocity.publish(command(probe, x=0.02))
        wave = values['gait']['duty_factor'] == '0.8333' and values['gait']['feet_down'] == '5'
        # The first steps are shorter: they bind the speed for a cycle.
        return wave and not values['gait']['limit']

    probe.until(waves, 'a wave on five feet')
    assert 0.0 <= float(values['gait']['phase']) < 1.0
    assert float(values['gait']['margin'].removesuffix(' m')) > 0.05


@pytest.mark.parametrize('value', [0.49, 1.0, -2.0, nan, inf])
def test_a_wrong_duty_factor_is_refused(probe: 'Probe', standing: list[Any], value: float) -> None:
    """With the reason; the walk keeps the one that it has."""
    assert standing
    probe.publisher(Float64, 'gait/duty_factor').publish(Float64(data=value))
    assert probe.wait_for_words('gait', 'duty_factor must be') == DiagnosticStatus.WARN
    probe.wait_for('gait', 'standing')
    assert probe.values['gait']['duty_factor'] == '0.5000'


def test_orders_before_standing_are_refused(probe: 'Probe', start: Callable[..., GaitNode]) -> None:
    """A body pose and a duty factor are of a walk; they say what to do first."""
    start()
    for kind, topic in ((PoseStamped, 'body_pose'), (Float64, 'gait/duty_factor')):
        probe.publisher(kind, topic).publish(kind())
        probe.wait_for_words('gait', f'{topic} came before gait/stand; stand up first')


def test_contacts_end_the_search_for_the_ground(
    probe: 'Probe', start: Callable[..., GaitNode], bracken: Robot
) -> None:
    """A foot that feels the ground stands on it; one that never does is named in the diagnostics.

    What was told before the gait took over counts as well.
    """
    start(contacts=True)
    unfelt, *early, late = bracken.leg_names
    for name in early:
        probe.publisher(Bool, f'contacts/{name}').publish(Bool(data=True))
    tell_feet(probe, bracken)
    assert ask(probe, 'gait/stand').success
    probe.wait_for('gait', 'standing')
    probe.publisher(Bool, f'contacts/{late}').publish(Bool(data=True))
    velocity = probe.publisher(TwistStamped, 'cmd_vel')

    def seeks() -> bool:
        velocity.publish(command(probe, x=0.02))
        return probe.values['gait']['no_ground'] != ''

    probe.until(seeks, 'a foot that found no ground')
    # So does the tripod of the others, half a cycle later.
    count = len(probe.states['gait'])
    probe.until(lambda: len(probe.states['gait']) > count + 1, 'two more statuses')
    assert probe.values['gait']['no_ground'] == unfelt


def test_contacts_are_heard_only_when_there_are_any(
    probe: 'Probe', start: Callable[..., GaitNode], bracken: Robot
) -> None:
    """By default nobody listens to them."""
    start()
    tell_feet(probe, bracken)
    for name in bracken.leg_names:
        assert probe.node.count_subscribers(f'contacts/{name}') == 0


def test_a_stamp_of_zero_is_taken_as_fresh(probe: 'Probe', standing: list[Any]) -> None:
    """Who has no clock may leave the stamp out."""
    assert standing
    publisher = probe.publisher(TwistStamped, 'cmd_vel')
    message = TwistStamped()
    message.twist.angular.z = 0.2
    publisher.publish(message)
    probe.wait_for('gait', 'walking')


@pytest.mark.parametrize(
    ('age', 'words'), [(MAX_AGE + 60.0, 'stamped 6'), (-MAX_AGE - 60.0, 'stamped -6')]
)
def test_a_stale_or_future_command_is_refused_and_counted(
    probe: 'Probe', standing: list[Any], age: float, words: str
) -> None:
    """A warning says how old it is and what to check; the robot stays."""
    assert standing
    odometry = probe.record(Odometry, 'odom')
    publisher = probe.publisher(TwistStamped, 'cmd_vel')
    probe.until(lambda: bool(odometry), 'odometry')
    publisher.publish(command(probe, age, x=0.05))
    assert probe.wait_for_words('gait', words) == DiagnosticStatus.WARN
    assert 'clocks' in probe.latest()['gait'][1]
    assert probe.values['gait']['refused_commands'] == '1'
    publisher.publish(command(probe))
    assert probe.wait_for('gait', 'standing') == DiagnosticStatus.OK
    assert {message.twist.twist.linear.x for message in odometry} == {0.0}


@pytest.mark.parametrize(
    ('value', 'words'),
    [(nan, 'must be finite'), (inf, 'must be finite'), (1e9, 'must be within 100 m/s')],
)
def test_a_command_that_nobody_can_mean_is_refused(
    probe: 'Probe', standing: list[Any], value: float, words: str
) -> None:
    """Refused and counted; the stream of targets goes on, finite."""
    publisher = probe.publisher(TwistStamped, 'cmd_vel')
    publisher.publish(command(probe, x=value))
    assert probe.wait_for_words('gait', words) == DiagnosticStatus.WARN
    assert probe.values['gait']['refused_commands'] == '1'
    count = len(standing)
    probe.until(lambda: len(standing) > count + 20, 'more targets')
    for message in standing[count:]:
        messages.FootTargets(message, message.joint_names)


def test_a_command_refused_before_standing_is_reported_too(
    probe: 'Probe', start: Callable[..., GaitNode]
) -> None:
    """Who sends nonsense to a robot that rests hears of it, and then that it rests again."""
    start()
    publisher = probe.publisher(TwistStamped, 'cmd_vel')
    publisher.publish(command(probe, x=nan))
    assert probe.wait_for_words('gait', 'must be finite') == DiagnosticStatus.WARN
    assert probe.values['gait']['refused_commands'] == '1'
    assert probe.wait_for('gait', 'waiting for foot_states') == DiagnosticStatus.OK


@pytest.fixture
def other_process() -> Iterator[Node]:
    """Return a node as if of another process: one DDS participant takes one type a topic."""
    context = Context()
    rclpy.init(context=context)
    yield rclpy.create_node('stack', namespace='/greenhouse', context=context)
    rclpy.shutdown(context=context)


def test_the_other_type_of_command_is_warned_of_once(
    probe: 'Probe', start: Callable[..., GaitNode], other_process: Node
) -> None:
    """A Twist is offered where a TwistStamped is taken: one line in the log says so."""
    logs = probe.record(Log, '/rosout')
    other = other_process.create_publisher(Twist, 'cmd_vel', 10)
    start()

    def warnings() -> list[str]:
        return [log.msg for log in logs if 'cmd_vel is offered as Twist' in log.msg]

    probe.until(warnings, 'a warning')
    assert 'this node takes TwistStamped' in warnings()[0]
    assert "'cmd_vel_type'" in warnings()[0]
    # It looks once a second, in step with the status: two more statuses, no other warning.
    count = len(probe.states['gait'])
    probe.until(lambda: len(probe.states['gait']) >= count + 2, 'two more statuses')
    assert len(warnings()) == 1
    assert other.get_subscription_count() == 0


def test_the_type_of_the_command_is_a_parameter(
    probe: 'Probe', start: Callable[..., GaitNode], bracken: Robot
) -> None:
    """A Twist without a stamp is obeyed where the parameter says so."""
    start(cmd_vel_type='Twist')
    tell_feet(probe, bracken)
    assert ask(probe, 'gait/stand').success
    probe.wait_for('gait', 'standing')
    publisher = probe.publisher(Twist, 'cmd_vel')
    message = Twist()
    message.linear.y = 0.04
    publisher.publish(message)
    probe.wait_for('gait', 'walking')


def test_it_crouches_to_the_resting_posture(
    probe: 'Probe', standing: list[Any], bracken: Robot
) -> None:
    """And stands up again from there."""
    assert ask(probe, 'gait/crouch').success
    probe.wait_for('gait', 'resting')
    probe.until(
        lambda: (
            messages.FootTargets(standing[-1], bracken.leg_names).feet[-1]
            == [pytest.approx(foot, abs=1e-9) for foot in bracken.resting.feet]
        ),
        'the resting posture',
    )
    assert ask(probe, 'gait/stand').success
    probe.wait_for('gait', 'standing')


def test_a_released_robot_is_given_up(probe: 'Probe', standing: list[Any], bracken: Robot) -> None:
    """Nothing is streamed until somebody says where the feet are and calls stand again."""
    odometry = probe.record(Odometry, 'odom')
    commands = probe.publisher(TwistStamped, 'cmd_vel')

    def farther_on() -> bool:
        commands.publish(command(probe, x=0.05))
        return bool(odometry) and odometry[-1].pose.pose.position.x > 0.01

    probe.until(farther_on, 'a walk')
    released = probe.publisher(Bool, 'bridge/released', qos.DESCRIPTION)
    released.publish(Bool(data=True))
    probe.wait_for('gait', 'waiting for foot_states')
    told, walked = len(standing), odometry[-1].pose
    refusal = ask(probe, 'gait/stand')
    assert not refusal.success
    assert 'bridge/rearm first' in refusal.message
    released.publish(Bool(data=False))
    tell_feet(probe, bracken)
    assert len(standing) == told
    odometry.clear()
    assert ask(probe, 'gait/stand').success
    probe.wait_for('gait', 'standing')
    assert len(standing) > told
    first = odometry[0].pose
    assert first.pose.position.x == 0.0
    assert first.covariance[0] < walked.covariance[0]
