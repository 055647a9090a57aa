# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Every end of the chain has the name, type and quality of service that the design gives it."""

from typing import TYPE_CHECKING

from rclpy.qos import DurabilityPolicy, HistoryPolicy, QoSProfile, ReliabilityPolicy

from leg_kinematics.nodes.bridge_node import BridgeNode
from leg_kinematics.nodes.gait_node import GaitNode
from leg_kinematics.nodes.kinematics_node import KinematicsNode
from leg_kinematics.nodes.running.parameters import as_overrides
from leg_kinematics.nodes.translation import qos

if TYPE_CHECKING:
    from test.nodes.conftest import Probe

PUBLISHERS = {
    ('gait', '/greenhouse/foot_targets', 'trajectory_msgs/msg/MultiDOFJointTrajectory'),
    ('gait', '/greenhouse/odom', 'nav_msgs/msg/Odometry'),
    ('gait', '/greenhouse/gait/markers', 'visualization_msgs/msg/MarkerArray'),
    ('kinematics', '/greenhouse/joint_trajectory', 'trajectory_msgs/msg/JointTrajectory'),
    ('kinematics', '/greenhouse/foot_states', 'sensor_msgs/msg/MultiDOFJointState'),
    ('kinematics', '/greenhouse/robot_description', 'std_msgs/msg/String'),
    ('bridge', '/greenhouse/joint_states', 'sensor_msgs/msg/JointState'),
    ('bridge', '/greenhouse/bridge/state', 'std_msgs/msg/Float64MultiArray'),
    ('gait', '/diagnostics', 'diagnostic_msgs/msg/DiagnosticArray'),
    ('kinematics', '/diagnostics', 'diagnostic_msgs/msg/DiagnosticArray'),
    ('bridge', '/diagnostics', 'diagnostic_msgs/msg/DiagnosticArray'),
}

SUBSCRIPTIONS = {
    ('gait', '/greenhouse/cmd_vel', 'geometry_msgs/msg/TwistStamped'),
    ('gait', '/greenhouse/foot_states', 'sensor_msgs/msg/MultiDOFJointState'),
    ('gait', '/greenhouse/body_offset', 'geometry_msgs/msg/PoseStamped'),
    ('gait', '/greenhouse/bridge/state', 'std_msgs/msg/Float64MultiArray'),
    ('kinematics', '/greenhouse/foot_targets', 'trajectory_msgs/msg/MultiDOFJointTrajectory'),
    ('kinematics', '/greenhouse/joint_states', 'sensor_msgs/msg/JointState'),
    ('bridge', '/greenhouse/joint_trajectory', 'trajectory_msgs/msg/JointTrajectory'),
}

ORDERS = {
    ('gait', '/greenhouse/gait/duty_factor', 'std_msgs/msg/Float64'),
}

SERVICES = {
    '/greenhouse/gait/stand',
    '/greenhouse/gait/hand_over',
    '/greenhouse/gait/crouch',
    '/greenhouse/bridge/release',
    '/greenhouse/bridge/rearm',
}

KEPT = {'/greenhouse/robot_description'}


def essentials(
    profile: QoSProfile,
) -> tuple[HistoryPolicy, int, ReliabilityPolicy, DurabilityPolicy]:
    """Return the policies that the design speaks of."""
    return profile.history, profile.depth, profile.reliability, profile.durability


def test_the_profiles_are_those_of_the_design() -> None:
    """Published is reliable and 10 deep, streams are best-effort and 1 deep, the last is kept."""
    keep = HistoryPolicy.KEEP_LAST
    reliable, best_effort = ReliabilityPolicy.RELIABLE, ReliabilityPolicy.BEST_EFFORT
    volatile, kept = DurabilityPolicy.VOLATILE, DurabilityPolicy.TRANSIENT_LOCAL
    assert essentials(qos.PUBLISHED) == (keep, 10, reliable, volatile)
    assert essentials(qos.STREAM) == (keep, 1, best_effort, volatile)
    assert essentials(qos.DESCRIPTION) == (keep, 1, reliable, kept)


def test_the_nodes_have_the_ends_of_the_design(probe: 'Probe', files: dict[str, str]) -> None:
    """In a namespace; what is published is reliable, a stream is heard best-effort, an order not.

    Transforms are told in `test_gait_node`, since they are not everywhere. A report of the robot is
    a stream: the losses that it counts show in the next one, whichever is lost.
    """
    boards = ['main=framed:/nowhere']
    probe.add(KinematicsNode(as_overrides({**files})))
    probe.add(GaitNode(as_overrides({**files})))
    probe.add(BridgeNode(as_overrides({**files, 'boards': boards})))

    def publishers() -> set[tuple[str, str, str]]:
        return {
            (end.node_name, topic, end.topic_type)
            for _, topic, _ in PUBLISHERS
            for end in probe.node.get_publishers_info_by_topic(topic)
        }

    def subscriptions() -> set[tuple[str, str, str]]:
        return {
            (end.node_name, topic, end.topic_type)
            for _, topic, _ in SUBSCRIPTIONS
            for end in probe.node.get_subscriptions_info_by_topic(topic)
        }

    def orders() -> set[tuple[str, str, str]]:
        return {
            (end.node_name, topic, end.topic_type)
            for _, topic, _ in ORDERS
            for end in probe.node.get_subscriptions_info_by_topic(topic)
            if end.qos_profile.reliability is ReliabilityPolicy.RELIABLE
        }

    def services() -> set[str]:
        return {
            name
            for name, kinds in probe.node.get_service_names_and_types()
            if kinds == ['std_srvs/srv/Trigger']
        }

    probe.until(lambda: publishers() >= PUBLISHERS, f'the publishers {PUBLISHERS}')
    probe.until(lambda: subscriptions() >= SUBSCRIPTIONS, f'the subscriptions {SUBSCRIPTIONS}')
    probe.until(lambda: orders() == ORDERS, f'the subscriptions {ORDERS}')
    probe.until(lambda: services() >= SERVICES, f'the services {SERVICES}')
    assert publishers() == PUBLISHERS
    assert subscriptions() == SUBSCRIPTIONS
    assert services() == SERVICES
    for _, topic, _ in PUBLISHERS:
        for end in probe.node.get_publishers_info_by_topic(topic):
            kept = topic in KEPT
            assert end.qos_profile.reliability is ReliabilityPolicy.RELIABLE, topic
            assert (end.qos_profile.durability is DurabilityPolicy.TRANSIENT_LOCAL) == kept, topic
    for _, topic, _ in SUBSCRIPTIONS:
        for end in probe.node.get_subscriptions_info_by_topic(topic):
            assert end.qos_profile.reliability is ReliabilityPolicy.BEST_EFFORT, topic
            assert end.qos_profile.durability is DurabilityPolicy.VOLATILE, topic
