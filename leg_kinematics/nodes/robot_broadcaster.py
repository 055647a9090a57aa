# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Where the joints are and what the robot does, told to all."""

from rclpy.node import Node
from sensor_msgs.msg import JointState
from std_msgs.msg import Float64MultiArray
from trajectory_msgs.msg import JointTrajectory

from leg_kinematics.chain.driving import Driving
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import NANOSECONDS
from leg_kinematics.nodes.translation import messages, qos
from leg_kinematics.nodes.translation.stamps import Stamps
from leg_kinematics.nodes.translation.streams import JointStates, RobotReports

#: Between two reports of the joints and of the robot, s, or a tick where that is longer.
REPORT_INTERVAL = 0.02


class RobotBroadcaster:
    """Publishes `joint_states` and `bridge/state`, and once `bridge/limits`.

    Parameters
    ----------
    node
        Who tells.
    stage
        What drives the servos.
    tick
        Between two steps of the stage, s.

    """

    def __init__(self, node: Node, stage: Driving, tick: float) -> None:
        """Tell how fast the joints are driven at most."""
        self._stage = stage
        self._every = ticks_a_report(tick)
        self._steps = 0
        self._stepped_at = -float('inf')
        self._told = (PowerState.UNPOWERED, 0)
        self._stamps = Stamps()
        self._joint_states = JointStates(stage.limits.joints)
        self._robot_reports = RobotReports()
        self._states = node.create_publisher(JointState, 'joint_states', qos.PUBLISHED)
        self._reports = node.create_publisher(Float64MultiArray, 'bridge/state', qos.PUBLISHED)
        self._limits = node.create_publisher(JointTrajectory, 'bridge/limits', qos.DESCRIPTION)
        self._limits.publish(messages.limits_message(stage.limits))

    def tell(self, now: float) -> None:
        """Tell what a step at an instant of the steady clock, s, has led to.

        Some steps are left out, but none that changes who has power. A call without a new step
        tells nothing.
        """
        if now <= self._stepped_at:
            return
        self._stepped_at = now
        self._steps += 1
        report = self._stage.report()
        edge = (report.state, report.losses)
        if self._steps % self._every and edge == self._told:
            return
        self._told = edge
        if self._reports.get_subscription_count():
            self._reports.publish(self._robot_reports.write(report))
        if self._stage.located and self._states.get_subscription_count():
            stamp = round(now * NANOSECONDS) + self._stamps.offset()
            self._states.publish(
                self._joint_states.write(stamp, self._stage.positions, self._stage.velocities)
            )


def ticks_a_report(tick: float) -> int:
    """Say in how many ticks, of so many s, joints and robot are told of once."""
    return max(1, round(REPORT_INTERVAL / tick))
