# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The chain from a body velocity to the servo boards: gait, kinematics and bridge.

For example::

    ros2 launch leg_kinematics legs_launch.py
    ros2 launch leg_kinematics legs_launch.py board:=framed:/dev/ttyUSB0 namespace:=bracken

The bridge is a lifecycle node, because configuring it opens the port and activating it powers the
servos: robot on a stand with its feet free, fingers and eyes clear, battery fused and its switch
within reach. Local rules and, where they ask for it, licensed people decide over batteries and
wiring. Unless `autostart` is true both are left to the operator::

    ros2 lifecycle set /bridge configure
    ros2 lifecycle set /bridge activate
"""

import os
import tempfile
from pathlib import Path

from ament_index_python.packages import get_package_share_directory
from launch import LaunchContext, LaunchDescription
from launch.action import Action
from launch.actions import (
    DeclareLaunchArgument,
    ExecuteProcess,
    OpaqueFunction,
    RegisterEventHandler,
)
from launch.event_handlers import OnProcessIO
from launch.events.process import ProcessIO
from launch.substitutions import LaunchConfiguration
from launch_ros.actions import Node
from launch_ros.parameter_descriptions import ParameterValue
from launch_ros.substitutions import ExecutableInPackage

PACKAGE = 'leg_kinematics'


def generate_launch_description() -> LaunchDescription:
    """Declare the arguments; what they start depends on the board."""
    config = Path(get_package_share_directory(PACKAGE), 'config')
    return LaunchDescription(
        [
            DeclareLaunchArgument(
                'robot',
                default_value=str(config / 'robots' / 'bracken.yaml'),
                description='Description of the robot.',
            ),
            DeclareLaunchArgument(
                'servo_maps',
                default_value=str(config / 'servo_maps' / 'bracken.yaml'),
                description='Servo maps of this very robot.',
            ),
            DeclareLaunchArgument(
                'board',
                default_value='mock',
                description='DRIVER:PORT of the servo board `main`, such as'
                ' framed:/dev/ttyUSB0, or `mock` to start one without hardware.',
            ),
            DeclareLaunchArgument(
                'pulse_log',
                default_value=os.devnull,
                description='File that gets every pulse the mock is told, as JSON lines.',
            ),
            DeclareLaunchArgument(
                'namespace', default_value='', description='Namespace of every node.'
            ),
            DeclareLaunchArgument(
                'autostart',
                default_value='false',
                choices=['true', 'false'],
                description='Configure and activate the bridge, which powers the servos:'
                ' robot on a stand, fingers and eyes clear.',
            ),
            DeclareLaunchArgument(
                'params_file',
                default_value=str(config / 'nodes.yaml'),
                description='Parameters of the nodes.',
            ),
            OpaqueFunction(function=_chain),
        ]
    )


def _chain(context: LaunchContext) -> list[Action]:
    """Return the nodes, and the mock where one is asked for."""
    board = context.launch_configurations['board']
    link = Path(tempfile.gettempdir(), f'{PACKAGE}-board-{os.getpid()}')
    port = f'framed:{link}' if board == 'mock' else board
    files = {
        name: ParameterValue(LaunchConfiguration(name), value_type=str)
        for name in ('robot', 'servo_maps')
    }

    def node(name: str, **parameters: object) -> Node:
        return Node(
            package=PACKAGE,
            executable=f'{name}_node',
            name=name,
            namespace=LaunchConfiguration('namespace'),
            parameters=[LaunchConfiguration('params_file'), files | parameters],
            output='screen',
        )

    bridge = node(
        'bridge',
        boards=[f'main={port}'],
        autostart=ParameterValue(LaunchConfiguration('autostart'), value_type=bool),
    )
    chain: list[Action] = [node('kinematics'), node('gait')]
    if board != 'mock':
        return [*chain, bridge]

    mock = ExecuteProcess(
        cmd=[
            ExecutableInPackage('mock_board', PACKAGE),
            '--link',
            str(link),
            '--log',
            LaunchConfiguration('pulse_log'),
        ],
        name='mock_board',
        output='screen',
    )

    def start_bridge(output: ProcessIO) -> Node | None:
        """Start the bridge when the mock says that its port is there."""
        return bridge if output.text.startswith(b'ready') else None

    return [
        *chain,
        RegisterEventHandler(OnProcessIO(target_action=mock, on_stdout=start_bridge)),
        mock,
    ]
