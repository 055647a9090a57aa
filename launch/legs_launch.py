# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The chain from a body velocity to the servo boards: gait, kinematics and bridge.

For example::

    ros2 launch leg_kinematics legs_launch.py
    ros2 launch leg_kinematics legs_launch.py board:=framed:/dev/ttyUSB0 namespace:=bracken

The bridge is a lifecycle node, because configuring it opens the port and activating it powers the
servos; what to take care of before that is logged at launch. Unless `enable` is true both are left
to the operator::

    ros2 lifecycle set /bridge configure
    ros2 lifecycle set /bridge activate

With `sequence:=FILE` there is the node `player` as well, which plays the file when `player/play` is
called, and never by itself.

With `one_process:=true` the three nodes share one process and hand values on directly: less
processor time, and less delay from a velocity to the pulses. Nodes, topics and services are the
same.
"""

import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

import yaml
from ament_index_python.packages import get_package_share_directory
from launch import LaunchContext, LaunchDescription
from launch.action import Action
from launch.actions import (
    DeclareLaunchArgument,
    ExecuteProcess,
    LogInfo,
    OpaqueFunction,
    RegisterEventHandler,
)
from launch.event_handlers import OnProcessIO
from launch.events.process import ProcessIO
from launch.substitutions import LaunchConfiguration
from launch_ros.actions import Node
from launch_ros.parameter_descriptions import ParameterValue
from launch_ros.substitutions import ExecutableInPackage

from leg_kinematics.nodes.caution import CAUTION

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
                'enable',
                default_value='false',
                choices=['true', 'false'],
                description='Configure and activate the bridge, which powers the servos:'
                ' robot on a stand, fingers and eyes clear.',
            ),
            DeclareLaunchArgument(
                'one_process',
                default_value='false',
                choices=['true', 'false'],
                description='Have the three nodes in one process.',
            ),
            DeclareLaunchArgument(
                'params_file',
                default_value=str(config / 'nodes.yaml'),
                description='Parameters of the nodes.',
            ),
            DeclareLaunchArgument(
                'sequence',
                default_value='',
                description='File of a sequence that `player/play` plays.',
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

    def node(executable: str, *parameters: object, name: str | None = None) -> Node:
        return Node(
            package=PACKAGE,
            executable=executable,
            name=name,
            namespace=LaunchConfiguration('namespace'),
            parameters=[LaunchConfiguration('params_file'), files, *parameters],
            output='screen',
        )

    chain: list[Action] = []
    own = {
        'boards': [f'main={port}'],
        'enable': context.launch_configurations['enable'] == 'true',
    }
    if context.launch_configurations['one_process'] == 'true':
        last = node('legs_node', _of_bridge(own))
    else:
        chain = [node('kinematics_node', name='kinematics'), node('gait_node', name='gait')]
        last = node('bridge_node', own, name='bridge')
    if context.launch_configurations['sequence']:
        sequence = ParameterValue(LaunchConfiguration('sequence'), value_type=str)
        chain.append(node('player_node', {'sequence': sequence}, name='player'))
    if board != 'mock':
        return [LogInfo(msg=CAUTION), *chain, last]

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

    def start_last(output: ProcessIO) -> Node | None:
        """Start what opens the port when the mock says that it is there."""
        return last if output.text.startswith(b'ready') else None

    return [
        *chain,
        RegisterEventHandler(OnProcessIO(target_action=mock, on_stdout=start_last)),
        mock,
    ]


def _of_bridge(parameters: Mapping[str, object]) -> str:
    """Write parameters to a file for the bridge alone, which shares its process with others.

    Like the files that launch_ros itself writes, it is left where temporary files are.
    """
    with tempfile.NamedTemporaryFile('w', prefix='bridge-', suffix='.yaml', delete=False) as file:
        yaml.safe_dump({'/**/bridge': {'ros__parameters': dict(parameters)}}, file)
    return file.name
