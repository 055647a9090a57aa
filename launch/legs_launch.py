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

With `view:=watch` the robot is shown on a page in a browser, and with `view:=control` it can be
driven from there.

With `one_process:=true` the three nodes share one process and hand values on directly: less
processor time, and less delay from a velocity to the pulses. Nodes, topics and services are the
same.
"""

import os
import tempfile
from collections.abc import Mapping, Sequence
from functools import partial
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

from leg_kinematics.board import boards_not_given
from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.errors import BoardError
from leg_kinematics.nodes.caution import CAUTION
from leg_kinematics.robot import load_robot

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
                description='NAME=DRIVER:PORT of every servo board that the servo maps name,'
                ' joined by commas, such as main=framed:/dev/ttyUSB0; DRIVER:PORT alone is that'
                ' of `main`; `mock` starts all of them without hardware.',
            ),
            DeclareLaunchArgument(
                'pulse_log',
                default_value=os.devnull,
                description='File that gets every pulse the mock is told, as JSON lines; with'
                ' several boards each has a file of its own, with its name before the suffix.',
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
            DeclareLaunchArgument(
                'view',
                default_value='off',
                choices=['off', 'watch', 'control'],
                description='Show the robot on a page of this computer, whose address is logged;'
                ' with `control` pages can drive it after arming.',
            ),
            OpaqueFunction(function=_chain),
        ]
    )


def _chain(context: LaunchContext) -> list[Action]:
    """Return the nodes, and the mocks where they are asked for."""
    given = context.launch_configurations
    needed = load_servo_maps(Path(given['servo_maps']), load_robot(Path(given['robot']))).boards
    mocks = {
        name: Path(tempfile.gettempdir(), f'{PACKAGE}-board-{os.getpid()}-{name}')
        for name in needed
        if given['board'] == 'mock'
    }
    boards = [f'{name}=framed:{link}' for name, link in mocks.items()]
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
        'boards': boards or _boards(given['board'], needed),
        'enable': given['enable'] == 'true',
    }
    if given['one_process'] == 'true':
        last = node('legs_node', _of_bridge(own))
    else:
        chain = [node('kinematics_node', name='kinematics'), node('gait_node', name='gait')]
        last = node('bridge_node', own, name='bridge')
    if given['sequence']:
        sequence = ParameterValue(LaunchConfiguration('sequence'), value_type=str)
        chain.append(node('player_node', {'sequence': sequence}, name='player'))
    if given['view'] != 'off':
        chain.append(_page(given['namespace'], control=given['view'] == 'control'))
    if not mocks:
        return [LogInfo(msg=CAUTION), *chain, last]

    # What opens the ports starts when the last mock says that its own is there.
    awaited = set(mocks)

    def start_last(name: str, output: ProcessIO) -> Node | None:
        if output.text.startswith(b'ready') and name in awaited:
            awaited.remove(name)
            return None if awaited else last
        return None

    for name, link in mocks.items():
        log = Path(given['pulse_log'])
        if len(mocks) > 1 and log != Path(os.devnull):
            log = log.with_stem(f'{log.stem}-{name}')
        mock = ExecuteProcess(
            cmd=[
                ExecutableInPackage('mock_board', PACKAGE),
                *('--link', str(link)),
                *('--log', str(log)),
            ],
            name=f'mock_board_{name}',
            output='screen',
        )
        heard = OnProcessIO(target_action=mock, on_stdout=partial(start_last, name))
        chain += [RegisterEventHandler(heard), mock]
    return chain


def _page(namespace: str, *, control: bool) -> ExecuteProcess:
    """Serve the page, in a process of its own, so that looking disturbs nothing."""
    return ExecuteProcess(
        cmd=[
            ExecutableInPackage('leg-kinematics', PACKAGE),
            *('view', '--namespace', namespace or '/'),
            *(['--control'] if control else []),
        ],
        name='view',
        output='screen',
    )


def _boards(argument: str, needed: Sequence[str]) -> list[str]:
    """Read the argument `board`; raise BoardError where the robot needs a board that it lacks."""
    boards = [part if '=' in part else f'main={part}' for part in argument.split(',')]
    if missing := boards_not_given(boards, needed):
        wanted = ','.join(f'{name}=DRIVER:PORT' for name in needed)
        raise BoardError(
            f'the servo maps name the boards {", ".join(needed)}, but board:={argument} does not '
            f'give {", ".join(missing)}: write board:={wanted}'
        )
    return boards


def _of_bridge(parameters: Mapping[str, object]) -> str:
    """Write parameters to a file for the bridge alone, which shares its process with others.

    Like the files that launch_ros itself writes, it is left where temporary files are.
    """
    with tempfile.NamedTemporaryFile('w', prefix='bridge-', suffix='.yaml', delete=False) as file:
        yaml.safe_dump({'/**/bridge': {'ros__parameters': dict(parameters)}}, file)
    return file.name
