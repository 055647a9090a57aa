# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Somebody who operates a running chain: brings it up, stands, drives, listens."""

from collections.abc import Callable
from time import monotonic

from geometry_msgs.msg import TwistStamped
from nav_msgs.msg import Odometry
from rclpy.serialization import deserialize_message
from trajectory_msgs.msg import MultiDOFJointTrajectory

from leg_kinematics.gait import Twist
from leg_kinematics.nodes.taking_part.participant import RECORDED, Participant
from leg_kinematics.nodes.translation.messages import body_twist_message
from leg_kinematics.nodes.translation.qos import PUBLISHED

COMMAND_INTERVAL = 0.05

#: State of the gait once the robot can be taken over.
READY = 'waiting for gait/stand'

TRIGGERS = ('gait/stand', 'gait/crouch', 'gait/hand_over', 'bridge/release', 'bridge/rearm')


class Operator(Participant):
    """A node that drives a chain and records what passes through it.

    Parameters
    ----------
    namespace
        Of the chain.
    progress
        Called often, with what is going on.

    Attributes
    ----------
    foot_targets, odometry
        Every message received, in its serialised form.

    """

    def __init__(self, namespace: str, progress: Callable[[str], None] = lambda _: None) -> None:
        """Connect to the topics of the chain, in a context of its own."""
        super().__init__('operator', namespace, progress, TRIGGERS)
        self.foot_targets: list[bytes] = []
        self.odometry: list[bytes] = []
        node = self.node
        self._commands = node.create_publisher(TwistStamped, 'cmd_vel', PUBLISHED)
        node.create_subscription(
            MultiDOFJointTrajectory,
            'foot_targets',
            self.foot_targets.append,
            RECORDED,
            raw=True,
        )
        node.create_subscription(Odometry, 'odom', self.odometry.append, RECORDED, raw=True)

    def wait_for_graph(self) -> None:
        """Work until every end of the chain is connected to this node."""
        self.doing = 'finding the nodes'
        clients = [*self._trigger.values(), self._change]
        self.spin(
            lambda: (
                all(client.service_is_ready() for client in clients)
                and self._commands.get_subscription_count() > 0
                and self.node.count_publishers('foot_targets') > 0
                and self.node.count_publishers('odom') > 0
            ),
            'discovery of the chain',
        )

    def bring_up(self) -> None:
        """Configure and activate the bridge; wait for pulses on every leg, and for foot states."""
        self.wait_for_graph()
        self.find_boards()
        self.enable_legs()
        self.wait_for('gait', READY)

    def stand(self) -> None:
        """Stand up and wait until the robot stands."""
        self.doing = 'standing up'
        self.call('gait/stand')
        self.wait_for('gait', 'standing')

    def crouch(self) -> None:
        """Crouch and wait until the robot rests."""
        self.doing = 'crouching'
        self.call('gait/crouch')
        self.wait_for('gait', 'resting')

    def drive(self, twist: Twist, seconds: float, what: str) -> None:
        """Send a body velocity for a while."""
        self.doing = what
        end = monotonic() + seconds
        while (now := monotonic()) < end:
            self.send(twist)
            pause = min(end, now + COMMAND_INTERVAL)
            self.spin(lambda pause=pause: monotonic() >= pause, what)  # type: ignore[misc]

    def send(self, twist: Twist) -> None:
        """Send one body velocity."""
        now = self.node.get_clock().now().nanoseconds
        self._commands.publish(body_twist_message(twist, now))

    def targets_heard(self) -> list[MultiDOFJointTrajectory]:
        """Return all foot targets received so far."""
        return [deserialize_message(each, MultiDOFJointTrajectory) for each in self.foot_targets]

    def odometry_heard(self) -> list[Odometry]:
        """Return all odometry received so far."""
        return [deserialize_message(each, Odometry) for each in self.odometry]
