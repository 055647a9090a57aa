# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Node `gait` alone: what comes in reaches its stage, and what the stage says goes out.

How the robot is walked is judged in `test/stages/test_walking.py`.
"""

from collections.abc import Callable, Iterator
from math import inf, nan
from typing import TYPE_CHECKING, Any

import pytest
import rclpy
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from geometry_msgs.msg import PoseStamped, Twist, TwistStamped
from nav_msgs.msg import Odometry
from rcl_interfaces.msg import Log
from rclpy.context import Context
from rclpy.node import Node
from sensor_msgs.msg import MultiDOFJointState
from std_msgs.msg import Bool, Float64, Float64MultiArray
from std_srvs.srv import Trigger
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory
from visualization_msgs.msg import MarkerArray

from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import JointLimits, RobotReport
from leg_kinematics.nodes.gait_node import GaitNode
from leg_kinematics.nodes.running.parameters import as_overrides
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.nodes.translation.transforms import HAS_TF
from leg_kinematics.parameters import Value
from leg_kinematics.robot import Robot

if TYPE_CHECKING:
    from test.nodes.conftest import Probe

#: As the parameter `max_command_age` by default, s.
MAX_AGE = 1.0

Start = Callable[..., GaitNode]


class Puppet:
    """A robot in the probe that is at once where it is led, and says so.

    Attributes
    ----------
    state, losses
        What it tells of its power.
    targets
        All foot targets that it has got.

    """

    def __init__(self, probe: 'Probe', robot: Robot) -> None:
        """Rest, and follow."""
        self._probe = probe
        self._robot = robot
        self._feet = robot.resting.feet
        self._stamp: int | None = None
        self.state, self.losses = PowerState.FOLLOWING, 0
        self.targets: list[MultiDOFJointTrajectory] = []
        node = probe.node
        self._reports = probe.publisher(Float64MultiArray, 'bridge/state')
        self._foot_states = probe.publisher(MultiDOFJointState, 'foot_states')
        node.create_subscription(MultiDOFJointTrajectory, 'foot_targets', self._on_targets, 10)
        node.create_timer(0.02, self._tell)
        probe.wait_for('gait', 'waiting for gait/stand')

    def _on_targets(self, message: MultiDOFJointTrajectory) -> None:
        self.targets.append(message)
        targets = messages.foot_targets(message)
        self._feet, self._stamp = tuple(targets.feet[0]), targets.stamp

    def _tell(self) -> None:
        report = RobotReport(self.state, 7, self.losses, self._stamp, 0.0)
        self._reports.publish(messages.report_message(report))
        now = self._probe.node.get_clock().now().nanoseconds
        self._foot_states.publish(
            messages.foot_states_message(now, self._robot.leg_names, self._feet)
        )


@pytest.fixture
def start(probe: 'Probe', files: dict[str, str]) -> Start:
    """Start the node under test with some parameters."""

    def make(**parameters: Value) -> GaitNode:
        node = GaitNode(as_overrides({**files, 'stand_time': 0.2, **parameters}))
        probe.add(node)
        return node

    return make


@pytest.fixture
def stand(probe: 'Probe', start: Start, bracken: Robot) -> Callable[..., Puppet]:
    """Start the node with some parameters, and let it stand a robot up."""

    def make(**parameters: Value) -> Puppet:
        start(**parameters)
        puppet = Puppet(probe, bracken)
        assert ask(probe, 'gait/stand').success
        probe.wait_for('gait', 'standing')
        return puppet

    return make


@pytest.fixture
def standing(stand: Callable[..., Puppet]) -> Puppet:
    """Return a robot that stands."""
    return stand()


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


def walk_until(probe: 'Probe', condition: Callable[[], object], what: str) -> None:
    """Stream a velocity ahead until something has happened."""
    publisher = probe.publisher(TwistStamped, 'cmd_vel')
    timer = probe.node.create_timer(0.05, lambda: publisher.publish(command(probe, x=0.05)))
    probe.until(condition, what)
    timer.destroy()


def test_orders_say_what_is_missing(probe: 'Probe', start: Start) -> None:
    """Without a bridge nothing is obeyed and nothing is sent, and whoever asks learns why."""
    start()
    targets = probe.record(MultiDOFJointTrajectory, 'foot_targets')
    orders = probe.record(DiagnosticArray, 'orders')
    refusal = ask(probe, 'gait/stand')
    assert not refusal.success
    assert refusal.message == 'nothing is heard from the bridge: is it running?'
    refusal = ask(probe, 'gait/crouch')
    assert not refusal.success
    assert 'gait/stand first' in refusal.message
    probe.until(lambda: len(orders) == 2, 'what was ordered')
    (told,) = orders[0].status
    assert (told.name, told.level) == ('gait/stand', DiagnosticStatus.WARN)
    assert told.message == 'nothing is heard from the bridge: is it running?'
    for kind, topic in ((PoseStamped, 'body_offset'), (Float64, 'gait/duty_factor')):
        probe.publisher(kind, topic).publish(kind())
        probe.wait_for('gait', f'refused: {topic} came before gait/stand; stand up first')
        probe.wait_for('gait', 'waiting for the bridge')
    assert targets == []


def test_a_robot_stands_up_walks_and_crouches(
    probe: 'Probe', standing: Puppet, bracken: Robot
) -> None:
    """All through the messages: orders, velocities and reports in, targets and odometry out."""
    first = standing.targets[0]
    assert tuple(first.joint_names) == bracken.leg_names
    assert first.header.frame_id == 'base_link'
    assert all(point.velocities for message in standing.targets for point in message.points)
    odometry = probe.record(Odometry, 'odom')
    walk_until(probe, lambda: odometry and odometry[-1].pose.pose.position.x > 0.01, 'a centimetre')
    said = [words for _, words in probe.states['gait']]
    assert 'walking' in said
    # Nobody speaks any more.
    probe.wait_for('gait', 'standing')
    answer = ask(probe, 'gait/crouch')
    assert (answer.success, answer.message) == (True, 'now crouching')
    probe.wait_for('gait', 'resting')


def test_diagnostics_tell_the_walk(probe: 'Probe', standing: Puppet) -> None:
    """Phase, duty factor, feet that stand, margin, and what binds the speed."""
    values = probe.values
    assert standing.targets
    probe.publisher(Float64, 'gait/duty_factor').publish(Float64(data=5.0 / 6.0))

    def waves() -> bool:
        return values['gait']['duty_factor'] == '0.8333' and values['gait']['feet_down'] == '5'

    walk_until(probe, waves, 'a wave on five feet')
    assert 0.0 <= float(values['gait']['phase']) < 1.0
    assert float(values['gait']['margin'].removesuffix(' m')) > 0.05
    assert values['gait']['no_ground'] == ''
    probe.publisher(Float64, 'gait/duty_factor').publish(Float64(data=0.49))
    assert probe.wait_for_words('gait', 'duty_factor must be') == DiagnosticStatus.WARN
    assert values['gait']['refused_commands'] == '1'


def test_the_body_follows_its_topic(probe: 'Probe', standing: Puppet, bracken: Robot) -> None:
    """Odometry tells of it; a pose out of reach is refused with the reason."""
    assert standing.targets
    odometry = probe.record(Odometry, 'odom')
    publisher = probe.publisher(PoseStamped, 'body_offset')
    message = PoseStamped()
    message.pose.position.z = 0.005
    publisher.publish(message)
    height = bracken.standing.height + 0.005
    probe.until(
        lambda: odometry and odometry[-1].pose.pose.position.z == pytest.approx(height, abs=1e-9),
        'the body 5 mm higher',
    )
    message.pose.position.z = 0.2
    publisher.publish(message)
    assert probe.wait_for_words('gait', 'cannot be posed so') == DiagnosticStatus.WARN


def test_a_robot_that_was_released_is_given_up(probe: 'Probe', standing: Puppet) -> None:
    """Also where the last report alone is heard: nothing is sent until stand is called again."""
    standing.losses += 1
    probe.wait_for('gait', 'waiting for gait/stand')
    count = len(standing.targets)
    standing.state = PowerState.RELEASED
    probe.wait_for('gait', 'waiting for the bridge, which is released')
    refusal = ask(probe, 'gait/stand')
    assert not refusal.success
    assert 'bridge/rearm first' in refusal.message
    standing.state = PowerState.FOLLOWING
    probe.wait_for('gait', 'waiting for gait/stand')
    assert len(standing.targets) == count
    assert ask(probe, 'gait/stand').success
    probe.wait_for('gait', 'standing')


def test_a_bridge_that_drives_more_slowly_is_a_contradiction(
    probe: 'Probe', start: Start, bracken: Robot
) -> None:
    """Of the parameters of two nodes: stand names both, and is obeyed when they fit."""
    start()
    Puppet(probe, bracken)
    publisher = probe.publisher(JointTrajectory, 'bridge/limits', qos.DESCRIPTION)
    slow = JointLimits(bracken.joints, (1.0,) * len(bracken.joints), 300.0)
    publisher.publish(messages.limits_message(slow))

    def refused() -> bool:
        answer = ask(probe, 'gait/stand')
        return not answer.success and "'speed_share' 0.9 of the gait asks" in answer.message

    probe.until(refused, 'a refusal')
    fast = JointLimits(bracken.joints, (20.0,) * len(bracken.joints), 300.0)
    publisher.publish(messages.limits_message(fast))
    probe.until(lambda: ask(probe, 'gait/stand').success, 'obedience')


def test_what_is_no_report_is_refused(probe: 'Probe', start: Start) -> None:
    """With what a report holds."""
    start()
    probe.publisher(Float64MultiArray, 'bridge/state').publish(Float64MultiArray(data=[1.0]))
    level = probe.wait_for_words('gait', 'bridge/state must hold 6 finite numbers')
    assert level == DiagnosticStatus.WARN


def transforms(probe: 'Probe') -> list[Any]:
    """Listen to `/tf` where that can be."""
    if not HAS_TF:
        return []
    from tf2_msgs.msg import TFMessage  # noqa: PLC0415  is not everywhere

    return probe.record(TFMessage, '/tf')


@pytest.mark.parametrize('publish_tf', [True, False])
def test_transforms_are_told_where_ros_has_them(
    probe: 'Probe', start: Start, bracken: Robot, *, publish_tf: bool
) -> None:
    """As `messages` makes them; without tf2_msgs or when it is not wanted, nobody offers /tf."""
    start(publish_tf=publish_tf)
    told = transforms(probe) if publish_tf else []
    odometry = probe.record(Odometry, 'odom')
    Puppet(probe, bracken)
    if not (HAS_TF and publish_tf):
        assert probe.node.count_publishers('/tf') == 0
        return
    assert ask(probe, 'gait/stand').success
    probe.wait_for('gait', 'standing')
    poses = {str(each.header.stamp): each.pose.pose for each in odometry}
    known = [each for each in told if str(each.transforms[0].header.stamp) in poses]
    assert len(known) > 10
    for message in known:
        footprint, body = message.transforms
        pose = poses[str(footprint.header.stamp)]
        assert (footprint.header.frame_id, footprint.child_frame_id) == ('odom', 'base_footprint')
        assert (body.header.frame_id, body.child_frame_id) == ('base_footprint', 'base_link')
        place, height = footprint.transform.translation, body.transform.translation.z
        assert (place.x, place.y, height) == (pose.position.x, pose.position.y, pose.position.z)


def test_odometry_is_told_before_the_first_stand(
    probe: 'Probe', start: Start, bracken: Robot
) -> None:
    """At rest at the origin, which is where the robot lies; with the names that are given."""
    start(odom_frame='field', base_frame='trunk')
    odometry = probe.record(Odometry, 'odom')
    puppet = Puppet(probe, bracken)
    probe.until(lambda: len(odometry) > 3, 'odometry')
    assert puppet.targets == []
    last = odometry[-1]
    assert (last.header.frame_id, last.child_frame_id) == ('field', 'trunk')
    place, speed = last.pose.pose.position, last.twist.twist.linear
    assert (place.x, place.y) == (0.0, 0.0)
    assert place.z == pytest.approx(bracken.resting.height)
    assert (speed.x, speed.y, speed.z) == (0.0, 0.0, 0.0)


def test_it_draws_the_walk_for_whoever_looks(
    probe: 'Probe', standing: Puppet, bracken: Robot
) -> None:
    """Markers come as soon as somebody listens, of the walk as it is."""
    assert standing.targets
    drawn = probe.record(MarkerArray, 'gait/markers')
    names = {'feet', 'support', 'centre_of_mass', 'margin', 'paths'}
    probe.until(
        lambda: drawn and {marker.ns for marker in drawn[-1].markers} == names,
        'markers of a robot at rest',
    )
    feet = [(point.x, point.y) for point in drawn[-1].markers[0].points]
    assert feet == [pytest.approx((x, y), abs=1e-9) for x, y, _ in bracken.standing.feet]
    walk_until(probe, lambda: len(drawn[-1].markers) == 6, 'an arrow')


def test_contacts_are_heard_only_when_there_are_any(
    probe: 'Probe', stand: Callable[..., Puppet], bracken: Robot
) -> None:
    """By the parameter; a foot that never feels the ground is named in the diagnostics."""
    stand(contacts=True)
    unfelt, *others = bracken.leg_names
    for name in others:
        probe.publisher(Bool, f'contacts/{name}').publish(Bool(data=True))
    walk_until(probe, lambda: probe.values['gait'].get('no_ground') == unfelt, unfelt)


def test_contacts_are_not_heard_by_default(probe: 'Probe', start: Start, bracken: Robot) -> None:
    """Nobody listens to them."""
    start()
    Puppet(probe, bracken)
    for name in bracken.leg_names:
        assert probe.node.count_subscribers(f'contacts/{name}') == 0


@pytest.mark.parametrize(
    ('age', 'x', 'words'),
    [
        (MAX_AGE + 60.0, 0.05, 'was sent 6'),
        (-MAX_AGE - 60.0, 0.05, 'was sent -6'),
        (0.0, nan, 'must be finite'),
        (0.0, inf, 'must be finite'),
        (0.0, 1e9, 'must be within 100 m/s'),
    ],
)
def test_a_command_that_cannot_be_meant_is_refused_and_counted(
    probe: 'Probe', start: Start, age: float, x: float, words: str
) -> None:
    """Stale, from the future or no velocity; told also while no robot is there, for a while."""
    start()
    publisher = probe.publisher(TwistStamped, 'cmd_vel')
    publisher.publish(command(probe, age, x))
    assert probe.wait_for_words('gait', words) == DiagnosticStatus.WARN
    assert ('clocks' in probe.latest()['gait'][1]) == (age != 0.0)
    assert probe.values['gait']['refused_commands'] == '1'
    publisher.publish(command(probe))
    assert probe.wait_for('gait', 'waiting for the bridge') == DiagnosticStatus.OK


def test_a_stamp_of_zero_is_taken_as_fresh(probe: 'Probe', standing: Puppet) -> None:
    """Who has no clock may leave the stamp out."""
    assert standing.targets
    message = TwistStamped()
    message.twist.angular.z = 0.2
    publisher = probe.publisher(TwistStamped, 'cmd_vel')
    probe.node.create_timer(0.05, lambda: publisher.publish(message))
    probe.wait_for('gait', 'walking')


@pytest.fixture
def other_process() -> Iterator[Node]:
    """Return a node as if of another process: one DDS participant takes one type a topic."""
    context = Context()
    rclpy.init(context=context)
    yield rclpy.create_node('stack', namespace='/greenhouse', context=context)
    rclpy.shutdown(context=context)


def test_the_other_type_of_command_is_warned_of_once(
    probe: 'Probe', start: Start, other_process: Node
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
    probe: 'Probe', stand: Callable[..., Puppet]
) -> None:
    """A Twist without a stamp is obeyed where the parameter says so."""
    stand(cmd_vel_type='Twist')
    message = Twist()
    message.linear.y = 0.04
    publisher = probe.publisher(Twist, 'cmd_vel')
    probe.node.create_timer(0.05, lambda: publisher.publish(message))
    probe.wait_for('gait', 'walking')
