# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a replay sends, and whom it hears, among the topics of a chain."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pytest
import rclpy
from geometry_msgs.msg import PoseStamped, TwistStamped
from geometry_msgs.msg import Twist as TwistMessage
from rclpy.serialization import serialize_message
from std_msgs.msg import Float64MultiArray, String

from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import NANOSECONDS, JointTargets, RobotReport
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.replay_topics import ReplayedTopic, ReplayTopics
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.solver import Trajectory

if TYPE_CHECKING:
    from trajectory_msgs.msg import JointTrajectory

    from test.nodes.conftest import Probe
else:
    from trajectory_msgs.msg import JointTrajectory

Make = Callable[..., ReplayTopics]


@pytest.fixture
def make(probe: 'Probe') -> Make:
    """Make the topics of a replay, in a node of its own."""

    def make(
        driving: str = '',
        others: dict[str, ReplayedTopic] | None = None,
        hear: Callable[[RobotReport], None] = lambda _: None,
        *,
        restamped: bool = True,
    ) -> ReplayTopics:
        node = rclpy.create_node('replay')
        probe.add(node)
        return ReplayTopics(node, driving, others or {}, hear, restamped=restamped)

    return make


def listen(probe: 'Probe', kind: type[Any], topic: str) -> list[Any]:
    """Be there before anybody sends; give a list that fills."""
    heard: list[Any] = []
    probe.node.create_subscription(kind, topic, heard.append, qos.PUBLISHED)
    return heard


def send_until(probe: 'Probe', send: Callable[[], None], heard: list[Any], times: int = 1) -> Any:  # noqa: ANN401
    """Send until it is heard so many times; give what was."""

    def sent() -> bool:
        send()
        return len(heard) >= times

    probe.until(sent, 'what is sent')
    return heard[-1]


def test_velocities_go_to_whoever_takes_them(probe: 'Probe', make: Make) -> None:
    """With a stamp of now; without one where the gait takes none."""
    heard = listen(probe, TwistStamped, 'cmd_vel')
    topics = make('cmd_vel')
    assert topics.topic == 'cmd_vel'
    message = send_until(probe, lambda: topics.drive(Twist(0.1, 0.2, 0.3)), heard)
    assert messages.body_twist(message) == Twist(0.1, 0.2, 0.3)
    age = probe.node.get_clock().now().nanoseconds - messages.nanoseconds_of(message.header.stamp)
    assert abs(age) < 5 * NANOSECONDS


def test_a_gait_that_takes_no_stamps_gets_none(probe: 'Probe', make: Make) -> None:
    """By the type of its subscription."""
    heard = listen(probe, TwistMessage, 'cmd_vel')
    topics = make('cmd_vel')
    message = send_until(probe, lambda: topics.drive(Twist(0.1)), heard)
    assert message.linear.x == 0.1


def test_where_an_arbiter_is_it_decides(probe: 'Probe', make: Make) -> None:
    """A replay drives by itself, so that whoever drives by hand comes first."""
    heard = listen(probe, TwistStamped, 'nav/cmd_vel')
    topics = make('cmd_vel')
    assert topics.topic == 'nav/cmd_vel'
    send_until(probe, lambda: topics.drive(Twist(0.1)), heard)
    assert make('cmd_vel', restamped=False).topic == 'cmd_vel'


@pytest.mark.parametrize('topic', ['cmd_vel', 'joint_trajectory'])
def test_others_who_drive_are_heard_and_named(probe: 'Probe', make: Make, topic: str) -> None:
    """Its own messages are none of theirs."""
    joints = ('left_front_coxa',)
    kind = TwistStamped if topic == 'cmd_vel' else JointTrajectory
    heard = listen(probe, kind, topic)
    topics = make(topic)
    topics.know(('left_front',), joints, 'base_link')
    targets = JointTargets(NANOSECONDS, Trajectory((0.0,), ((0.1,),), ((0.0,),)), joints)
    own = Twist(0.1) if topic == 'cmd_vel' else targets
    send_until(probe, lambda: topics.drive(own), heard)

    def now() -> int:
        return probe.node.get_clock().now().nanoseconds

    send_until(probe, lambda: topics.drive(own), heard, 2)
    assert topics.other_driver(now()) == ''
    other = probe.publisher(kind, topic)

    def told() -> bool:
        other.publish(kind())
        return bool(topics.other_driver(now()))

    probe.until(told, 'the other one')
    assert topics.other_driver(now()) == f'/greenhouse/probe sends {topic} as well'


def test_messages_are_passed_on_with_new_stamps(probe: 'Probe', make: Make) -> None:
    """Only where they begin with one, and only where that is wanted; what lasts is kept."""
    namespace = probe.node.get_namespace()
    others = {
        '/then/body_offset': ReplayedTopic(
            f'{namespace}/body_offset', 'geometry_msgs/msg/PoseStamped', lasting=False
        ),
        '/then/robot_description': ReplayedTopic(
            f'{namespace}/robot_description', 'std_msgs/msg/String', lasting=True
        ),
    }
    topics = make(others=others)
    offset = PoseStamped()
    offset.header.stamp.sec, offset.pose.position.z = 5, 0.02
    data = serialize_message(offset)
    heard = probe.record(PoseStamped, 'body_offset')
    message = send_until(probe, lambda: topics.pass_on('/then/body_offset', data), heard)
    assert message.header.stamp.sec > 1_700_000_000
    assert message.pose.position.z == 0.02
    topics.pass_on('/then/robot_description', serialize_message(String(data='<robot/>')))
    lasting = probe.record(String, 'robot_description', qos.DESCRIPTION)
    probe.until(lambda: lasting, 'what was sent before')
    assert lasting[0].data == '<robot/>'
    assert topics.sent_by_others() == []
    probe.publisher(PoseStamped, 'body_offset')
    probe.until(topics.sent_by_others, 'another sender')
    assert topics.sent_by_others() == [f'{namespace}/body_offset (by {namespace}/probe)']


def test_it_is_told_what_the_bridge_reports(probe: 'Probe', make: Make) -> None:
    """As the replay has to know it."""
    heard: list[RobotReport] = []
    make('joint_trajectory', hear=heard.append)
    report = RobotReport(PowerState.FOLLOWING, 3, 1, None, 0.25)
    publisher = probe.publisher(Float64MultiArray, 'bridge/state')
    told = messages.report_message(report)
    assert send_until(probe, lambda: publisher.publish(told), heard) == report
