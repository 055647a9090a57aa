# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Who else sends a topic is told; a robot that two lead goes where neither wants it."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pytest
from diagnostic_msgs.msg import DiagnosticStatus
from geometry_msgs.msg import TwistStamped
from rclpy.node import Node
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory

from leg_kinematics.nodes.bridge_node import BridgeNode
from leg_kinematics.nodes.gait_node import GaitNode
from leg_kinematics.nodes.kinematics_node import KinematicsNode
from leg_kinematics.nodes.running.parameters import as_overrides
from leg_kinematics.nodes.translation import qos
from leg_kinematics.parameters import Value

if TYPE_CHECKING:
    from test.nodes.conftest import Probe


@pytest.mark.parametrize(
    ('kind', 'more', 'message', 'topic'),
    [
        (GaitNode, {}, TwistStamped, 'cmd_vel'),
        (KinematicsNode, {}, MultiDOFJointTrajectory, 'foot_targets'),
        (BridgeNode, {'boards': ['main=framed:/nowhere']}, JointTrajectory, 'joint_trajectory'),
    ],
)
def test_two_senders_are_told_until_one_has_gone(
    *,
    probe: 'Probe',
    files: dict[str, str],
    kind: Callable[[Any], Node],
    more: dict[str, Value],
    message: type[Any],
    topic: str,
) -> None:
    """A warning names both and says that only one may send; one sender is none."""
    node = kind(as_overrides({**files, **more}))
    probe.add(node)
    one = probe.publisher(message, topic)
    probe.until(lambda: probe.states.get(node.get_name()), 'a status')
    calm = probe.latest()[node.get_name()]
    assert calm[0] == DiagnosticStatus.OK
    other = Node('other')
    probe.add(other)
    two = other.create_publisher(message, topic, qos.PUBLISHED)
    level = probe.wait_for_words(node.get_name(), f'2 senders of {topic}')
    assert level == DiagnosticStatus.WARN
    words = probe.latest()[node.get_name()][1]
    assert '/greenhouse/other, /greenhouse/probe; only one may send' in words
    assert words.endswith(calm[1])
    other.destroy_publisher(two)
    assert probe.wait_for(node.get_name(), calm[1]) == DiagnosticStatus.OK
    assert one.get_subscription_count() == 1


def test_who_takes_turns_is_one_sender(probe: 'Probe', files: dict[str, str]) -> None:
    """The gait and the player may be there together; somebody else is one too many."""
    node = KinematicsNode(as_overrides({**files}))
    probe.add(node)
    for name in ('gait', 'player'):
        other = Node(name)
        probe.add(other)
        other.create_publisher(MultiDOFJointTrajectory, 'foot_targets', qos.PUBLISHED)
    probe.publisher(MultiDOFJointTrajectory, 'foot_targets')
    probe.wait_for_words('kinematics', '2 senders of foot_targets')
    assert (
        '/greenhouse/gait, /greenhouse/probe; only one may send' in probe.latest()['kinematics'][1]
    )
