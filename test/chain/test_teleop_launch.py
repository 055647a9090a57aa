# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The launch file for driving, where there is a full ROS 2.

A pad becomes a velocity, and so does a held key on another machine.
"""

import os
import unittest
from collections.abc import Callable
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import pytest
import rclpy
import yaml
from ament_index_python.packages import PackageNotFoundError, get_package_share_directory
from diagnostic_msgs.msg import DiagnosticArray
from geometry_msgs.msg import TwistStamped
from rclpy.executors import SingleThreadedExecutor
from rclpy.qos import qos_profile_sensor_data
from sensor_msgs.msg import Joy

from leg_kinematics.commands.driving.driven_by_link import DrivenByLink
from leg_kinematics.gait import Twist
from leg_kinematics.teleop.layout import load_layout
from leg_kinematics.teleop.steering import Wanted

if TYPE_CHECKING:
    from test.fleet import Fleet, free_address
else:
    from fleet import Fleet, free_address

pytest.importorskip(
    'launch_testing', reason="ROS 2's launch_testing is absent, so its launch file cannot run"
)

# Only where launch_testing is.
from launch import LaunchDescription
from launch.actions import IncludeLaunchDescription
from launch_testing import ProcInfoHandler, actions, asserts, post_shutdown_test

NAMESPACE = 'greenhouse_by_hand'
PATIENCE = 60.0  # s, for a machine that is busy with other tests
LAYOUT = Path('config', 'layouts', 'two_sticks_four_buttons.yaml')


def share() -> Path:
    """Return where the package is installed."""
    try:
        return Path(get_package_share_directory('leg_kinematics'))
    except (PackageNotFoundError, OSError):
        # Not at import: launch_testing would take that for a skip of the whole folder.
        pytest.skip('the package is not installed where ROS 2 looks: run this with `colcon test`')


@pytest.mark.launch_test
def generate_test_description() -> tuple[LaunchDescription, dict[str, object]]:
    """Start all three nodes in a namespace."""
    folder = Path(os.environ['ROS_LOG_DIR'])
    fleet, address = Fleet(folder / 'keys', ('bracken',), ('anna',)), free_address()
    parameters = folder / 'nodes.yaml'
    content = {'/**/remote': {'ros__parameters': {'listen': address}}}
    parameters.write_text(yaml.safe_dump(content), encoding='utf-8')
    arguments = {
        'namespace': NAMESPACE,
        'params_file': str(parameters),
        'remote': 'true',
        'key': str(fleet.robot().folder),
    }
    launched = IncludeLaunchDescription(
        str(share() / 'launch' / 'teleop_launch.py'), launch_arguments=arguments.items()
    )
    driver = {'key': fleet.driver('anna').folder, 'address': address}
    return LaunchDescription([launched, actions.ReadyToTest()]), driver


class TestDriving(unittest.TestCase):
    """Somebody with a pad."""

    def setUp(self) -> None:
        """Take the pad, and hold nothing."""
        rclpy.init()
        self.addCleanup(rclpy.shutdown)
        self.node = rclpy.create_node('hands', namespace=NAMESPACE)
        self.addCleanup(self.node.destroy_node)
        self.executor = SingleThreadedExecutor()
        self.executor.add_node(self.node)
        self.addCleanup(self.executor.shutdown)
        self.velocities: list[TwistStamped] = []
        self.node.create_subscription(
            TwistStamped, 'cmd_vel', self.velocities.append, qos_profile_sensor_data
        )

    def until(self, condition: Callable[[], bool], what: str) -> None:
        """Spin until something has happened."""
        end = monotonic() + PATIENCE
        while not condition():
            assert monotonic() < end, f'waited {PATIENCE} s for {what}'
            self.executor.spin_once(timeout_sec=0.1)

    def test_a_stick_becomes_a_velocity_while_the_hold_control_is_pressed(self) -> None:
        """Through both nodes; let go of, the velocity is zero."""
        table = load_layout(share() / LAYOUT).joy
        assert table is not None
        axes, buttons = table.lengths
        pad = Joy(axes=[0.0] * axes, buttons=[0] * buttons)
        velocities = self.velocities
        states: dict[str, str] = {}
        self.node.create_subscription(
            DiagnosticArray,
            '/diagnostics',
            lambda array: states.update((each.name, each.message) for each in array.status),
            10,
        )
        publisher = self.node.create_publisher(Joy, 'joy', 10)

        def send() -> None:
            pad.header.stamp = self.node.get_clock().now().to_msg()
            publisher.publish(pad)

        self.node.create_timer(0.02, send)
        stick, hold = table.axes['lefty'], table.buttons['leftshoulder'].index

        self.until(
            lambda: states.get(f'/{NAMESPACE}/teleop', '').startswith('ready'), 'the node teleop'
        )
        pad.axes[stick.index] = -stick.end
        pad.buttons[hold] = 1
        self.until(lambda: bool(velocities) and velocities[-1].twist.linear.x > 0.0, 'a velocity')
        pad.buttons[hold] = 0
        self.until(lambda: velocities[-1].twist.linear.x == 0.0, 'a standstill')

    def test_a_key_that_is_held_on_another_machine_becomes_a_velocity(
        self, key: Path, address: str
    ) -> None:
        """Through the link and the arbiter; let go of, the velocity is zero."""
        velocities = self.velocities
        driven = DrivenByLink(key, {'bracken': address}, print)
        self.addCleanup(driven.leave)

        def drive(forward: float, *, held: bool) -> bool:
            driven.send(Wanted(Twist(x=forward)), held=held)
            driven.work(0.01)
            return bool(velocities) and velocities[-1].twist.linear.x == forward

        def heard() -> bool:
            drive(0.0, held=False)
            return ('driver', 'nobody') in driven.states

        self.until(heard, 'the robot')
        self.until(lambda: drive(0.02, held=True), 'a velocity')
        self.until(lambda: drive(0.0, held=False), 'a standstill')


@post_shutdown_test()
class TestEnd(unittest.TestCase):
    """What is left after SIGINT."""

    def test_all_nodes_end_cleanly(self, proc_info: ProcInfoHandler) -> None:
        """With exit code 0."""
        names = proc_info.process_names()
        assert len(names) == 3
        asserts.assertExitCodes(proc_info)
