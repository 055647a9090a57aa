# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A robot driven by a gamepad, and who else may drive it: the nodes teleop and arbiter.

For example, beside a chain that runs and a node that publishes `joy`::

    ros2 launch leg_kinematics teleop_launch.py
    ros2 launch leg_kinematics teleop_launch.py namespace:=bracken layout:=mine.yaml
    ros2 launch leg_kinematics teleop_launch.py teleop:=false remote:=true key:=keys/bracken

The robot moves only while the hold control of the layout is pressed. With `teleop:=false` there is
only the arbiter, for a robot whose pad is read on another machine; there `arbiter:=false`. With
`remote:=true` drivers on other machines who hold a key drive it without ROS 2.
"""

from pathlib import Path

from ament_index_python.packages import get_package_share_directory
from launch import LaunchDescription
from launch.actions import DeclareLaunchArgument
from launch.conditions import IfCondition
from launch.substitutions import LaunchConfiguration
from launch_ros.actions import Node
from launch_ros.parameter_descriptions import ParameterValue

PACKAGE = 'leg_kinematics'


def generate_launch_description() -> LaunchDescription:
    """Declare the arguments, and start both nodes."""
    config = Path(get_package_share_directory(PACKAGE), 'config')
    layout, key = (
        ParameterValue(LaunchConfiguration(name), value_type=str) for name in ('layout', 'key')
    )

    def node(name: str, *parameters: object) -> Node:
        return Node(
            package=PACKAGE,
            executable=f'{name}_node',
            name=name,
            namespace=LaunchConfiguration('namespace'),
            parameters=[LaunchConfiguration('params_file'), *parameters],
            output='screen',
            condition=IfCondition(LaunchConfiguration(name)),
        )

    def switch(name: str, description: str, default: str = 'true') -> DeclareLaunchArgument:
        return DeclareLaunchArgument(
            name, default_value=default, choices=['true', 'false'], description=description
        )

    return LaunchDescription(
        [
            DeclareLaunchArgument(
                'layout',
                default_value=str(config / 'layouts' / 'two_sticks_four_buttons.yaml'),
                description='What the controls of the pad do, and where messages have them.',
            ),
            DeclareLaunchArgument(
                'namespace', default_value='', description='Namespace of the robot.'
            ),
            DeclareLaunchArgument(
                'params_file',
                default_value=str(config / 'nodes.yaml'),
                description='Parameters of the nodes.',
            ),
            switch('teleop', 'Start the node that a gamepad drives by.'),
            switch('arbiter', 'Start the node that decides whose velocity counts.'),
            switch('remote', 'Start the node that drivers on other machines reach.', 'false'),
            DeclareLaunchArgument(
                'key', default_value='', description='Folder of the key of the robot, for remote.'
            ),
            node('teleop', {'layout': layout}),
            node('arbiter'),
            node('remote', {'key': key}),
        ]
    )
