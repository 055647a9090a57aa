# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The launch file, where there is a full ROS 2: the chain walks against the mock and ends.

Once in three processes with one board, once in one process with two.
"""

import os
import unittest
from collections.abc import Callable
from itertools import chain
from pathlib import Path
from time import monotonic

import pytest
import rclpy
import yaml
from ament_index_python.packages import PackageNotFoundError, get_package_share_directory
from diagnostic_msgs.msg import DiagnosticArray
from geometry_msgs.msg import TwistStamped
from nav_msgs.msg import Odometry
from rclpy.client import Client
from rclpy.executors import SingleThreadedExecutor
from rclpy.qos import qos_profile_sensor_data
from std_srvs.srv import Trigger

from leg_kinematics.board.simulated.pulse_log import read_log

pytest.importorskip(
    'launch_testing', reason="ROS 2's launch_testing is absent, so its launch file cannot run"
)

# Only where launch_testing is.
from launch import LaunchDescription
from launch.actions import IncludeLaunchDescription
from launch_testing import ProcInfoHandler, actions, asserts, parametrize, post_shutdown_test

NAMESPACE = 'greenhouse'
PATIENCE = 60.0  # s, for a machine that is busy with other tests


#: The processes of the nodes, by the argument that says how many there shall be.
PROCESSES = {
    'false': ('kinematics_node', 'gait_node', 'bridge_node'),
    'true': ('legs_node',),
}

#: The boards of the servo maps, by the same argument.
BOARDS = {'false': ('main',), 'true': ('left', 'right')}


@pytest.mark.launch_test
@parametrize('one_process', PROCESSES)  # type: ignore[untyped-decorator]
def generate_test_description(
    one_process: str,
) -> tuple[LaunchDescription, dict[str, list[Path]]]:
    """Start the chain against the mock, in a namespace, and power its servos."""
    try:
        share = Path(get_package_share_directory('leg_kinematics'))
    except (PackageNotFoundError, OSError):
        # Not at import: launch_testing would take that for a skip of the whole folder.
        pytest.skip('the package is not installed where ROS 2 looks: run this with `colcon test`')
    folder, boards = Path(os.environ['ROS_LOG_DIR']), BOARDS[one_process]
    pulse_log = folder / f'pulses-{one_process}.jsonl'
    servo_maps = share / 'config' / 'servo_maps' / 'bracken.yaml'
    logs = [pulse_log]
    if len(boards) > 1:
        content = yaml.safe_load(servo_maps.read_text(encoding='utf-8'))
        for joint, entry in content['joints'].items():
            entry['board'] = joint.partition('_')[0]
        servo_maps = folder / 'two-boards.yaml'
        servo_maps.write_text(yaml.safe_dump(content, sort_keys=False), encoding='utf-8')
        logs = [folder / f'pulses-{one_process}-{board}.jsonl' for board in boards]
    launched = IncludeLaunchDescription(
        str(share / 'launch' / 'legs_launch.py'),
        launch_arguments={
            'enable': 'true',
            'one_process': one_process,
            'namespace': NAMESPACE,
            'servo_maps': str(servo_maps),
            'pulse_log': str(pulse_log),
        }.items(),
    )
    ready = actions.ReadyToTest()
    return LaunchDescription([launched, ready]), {'logs': logs}


class TestWalk(unittest.TestCase):
    """An operator's view of the running chain."""

    def setUp(self) -> None:
        """Join the namespace as an operator."""
        rclpy.init()
        self.addCleanup(rclpy.shutdown)
        self.node = rclpy.create_node('operator', namespace=NAMESPACE)
        self.addCleanup(self.node.destroy_node)
        self.executor = SingleThreadedExecutor()
        self.executor.add_node(self.node)
        self.addCleanup(self.executor.shutdown)

    def until(self, condition: Callable[[], bool], what: str) -> None:
        """Spin until something has happened."""
        end = monotonic() + PATIENCE
        while not condition():
            assert monotonic() < end, f'waited {PATIENCE} s for {what}'
            self.executor.spin_once(timeout_sec=0.1)

    def succeeds(self, client: Client[Trigger.Request, Trigger.Response]) -> bool:
        """Call a service once."""
        answer = client.call_async(Trigger.Request())
        self.until(answer.done, f'an answer of {client.srv_name}')
        response = answer.result()
        return response is not None and bool(response.success)

    def test_a_body_velocity_becomes_steps(self, logs: list[Path]) -> None:
        """Told to stand and to go ahead, the robot walks and every servo moves."""
        poses: list[Odometry] = []
        states: dict[str, str] = {}
        self.node.create_subscription(Odometry, 'odom', poses.append, qos_profile_sensor_data)
        self.node.create_subscription(
            DiagnosticArray,
            '/diagnostics',
            lambda array: states.update((each.name, each.message) for each in array.status),
            10,
        )
        self.until(
            lambda: states.get(f'/{NAMESPACE}/bridge') == 'active', 'the bridge to enable all legs'
        )

        stand: Client[Trigger.Request, Trigger.Response]
        stand = self.node.create_client(Trigger, 'gait/stand')
        self.until(stand.service_is_ready, 'gait/stand')
        # Refused until the gait has heard of the feet, which discovery may delay.
        self.until(lambda: self.succeeds(stand), 'gait/stand to be obeyed')

        command = TwistStamped()
        command.twist.linear.x = 0.05
        publisher = self.node.create_publisher(TwistStamped, 'cmd_vel', 10)
        self.node.create_timer(0.05, lambda: publisher.publish(command))
        self.until(lambda: bool(poses) and poses[-1].pose.pose.position.x > 0.05, 'odom to move')

        told = [record for record in chain(*map(read_log, logs)) if record.event == 'pose']
        for channel in range(18):
            pulses = {record.pulses_us[channel] for record in told if channel in record.pulses_us}
            assert max(pulses) - min(pulses) > 20.0, f'channel {channel} stood still'


@post_shutdown_test()
class TestEnd(unittest.TestCase):
    """What is left after SIGINT."""

    def test_every_process_ends_cleanly(self, proc_info: ProcInfoHandler, one_process: str) -> None:
        """The nodes and the mock leave with exit code 0, and there was nobody else."""
        names = [name for name in proc_info.process_names() if 'mock_board' not in name]
        assert len(names) == len(PROCESSES[one_process])
        for process in PROCESSES[one_process]:
            assert any(process in name for name in names)
        asserts.assertExitCodes(proc_info)
