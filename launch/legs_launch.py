# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The chain from a body velocity to the servo boards: gait, kinematics and bridge.

For example::

    ros2 launch leg_kinematics legs_launch.py
    ros2 launch leg_kinematics legs_launch.py board:=framed:/dev/ttyUSB0 namespace:=bracken

The bridge is a lifecycle node, because configuring it opens the port and activating it powers the
servos. Unless `autostart` is true both are left to the operator::

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
    EmitEvent,
    ExecuteProcess,
    OpaqueFunction,
    RegisterEventHandler,
)
from launch.event_handlers import OnProcessIO, OnProcessStart
from launch.events import matches_action
from launch.events.process import ProcessIO
from launch.substitutions import LaunchConfiguration
from launch_ros.actions import LifecycleNode, Node
from launch_ros.event_handlers import OnStateTransition
from launch_ros.events.lifecycle import ChangeState
from launch_ros.parameter_descriptions import ParameterValue
from launch_ros.substitutions import ExecutableInPackage
from lifecycle_msgs.msg import Transition

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
                description='Configure and activate the bridge, which powers the servos.',
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
    """Return the nodes, the mock where one is asked for, and what starts the bridge."""
    board = context.launch_configurations['board']
    mocked = board == 'mock'
    link = Path(tempfile.gettempdir(), f'{PACKAGE}-board-{os.getpid()}')
    port = f'framed:{link}' if mocked else board

    common = {
        'package': PACKAGE,
        'namespace': LaunchConfiguration('namespace'),
        'output': 'screen',
    }
    parameters = [
        LaunchConfiguration('params_file'),
        {
            name: ParameterValue(LaunchConfiguration(name), value_type=str)
            for name in ('robot', 'servo_maps')
        },
    ]
    bridge = LifecycleNode(
        executable='bridge_node',
        name='bridge',
        parameters=[*parameters, {'boards': [f'main={port}']}],
        **common,
    )
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
    chain: list[Action] = [
        Node(executable='kinematics_node', name='kinematics', parameters=parameters, **common),
        Node(executable='gait_node', name='gait', parameters=parameters, **common),
    ]
    if context.launch_configurations['autostart'] == 'true':
        chain += _autostart(bridge, mock if mocked else None)
    return [*chain, bridge, mock] if mocked else [*chain, bridge]


def _autostart(bridge: LifecycleNode, mock: ExecuteProcess | None) -> list[Action]:
    """Return what configures the bridge as soon as it has a port, and then activates it."""

    def transition(which: int) -> EmitEvent:
        return EmitEvent(
            event=ChangeState(lifecycle_node_matcher=matches_action(bridge), transition_id=which)
        )

    configure = transition(Transition.TRANSITION_CONFIGURE)
    activate = transition(Transition.TRANSITION_ACTIVATE)

    def configure_when_ready(output: ProcessIO) -> EmitEvent | None:
        return configure if output.text.startswith(b'ready') else None

    return [
        RegisterEventHandler(
            OnProcessStart(target_action=bridge, on_start=configure)
            if mock is None
            else OnProcessIO(target_action=mock, on_stdout=configure_when_ready)
        ),
        RegisterEventHandler(
            OnStateTransition(
                target_lifecycle_node=bridge,
                start_state='configuring',
                goal_state='inactive',
                entities=[activate],
            )
        ),
    ]
