# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Installs the package, for pip and for colcon alike.

ROS 2 itself is not among the requirements: a sourced ROS 2 has it under names that pip does
not know. On a plain machine the extra ``ros`` brings it from wheels.
"""

from pathlib import Path

from setuptools import find_packages, setup

NAME = 'leg_kinematics'
SHARE = Path('share') / NAME


def files_of(folder: str) -> list[tuple[str, list[str]]]:
    """Return the files of a folder and its subfolders as `data_files` under ``share``."""
    kinds = {'.md', '.py', '.rviz', '.xml', '.yaml'}
    files = sorted(path for path in Path(folder).rglob('*') if path.suffix in kinds)
    return [(str(SHARE / path.parent), [str(path)]) for path in files]


setup(
    name=NAME,
    version='0.1.0',
    description='From a body velocity to servo pulses: kinematics, gaits and servo boards.',
    author='The leg_kinematics authors',
    maintainer='The leg_kinematics authors',
    maintainer_email='maintainers@leg-kinematics.example',
    license='Apache-2.0',
    python_requires='>=3.11',
    packages=find_packages(include=[NAME, f'{NAME}.*']),
    package_data={
        '': ['*.json', '*.md', 'py.typed'],
        f'{NAME}.board.framed.firmware': ['NOTICE', '*.hex', '*.c', '*.h', '*.mk'],
        f'{NAME}.view': ['built/*'],
    },
    data_files=[
        ('share/ament_index/resource_index/packages', [f'resource/{NAME}']),
        (str(SHARE), ['package.xml']),
        *files_of('launch'),
        *files_of('config'),
        (f'lib/{NAME}', sorted(str(path) for path in Path('resource/executables').iterdir())),
    ],
    zip_safe=False,
    install_requires=[
        'click',
        'jsonschema',
        'matplotlib',
        'numpy',
        'pyserial',
        'PyYAML',
        'rich',
        'scipy',
        'transforms3d',
    ],
    extras_require={
        # Recordings; an extra, since rosdep has no keys for them.
        'bag': ['lz4', 'mcap', 'zstandard'],
        # Photographs instead of a ruler. Before 4.14 the corners of a board were half a pixel off.
        'photo': ['opencv-python-headless>=4.14'],
        'ros': [
            'ros-ament-index-python',
            'ros-builtin-interfaces',
            'ros-diagnostic-msgs',
            'ros-geometry-msgs',
            'ros-lifecycle-msgs',
            'ros-nav-msgs',
            'ros-rcl-interfaces',
            'ros-rclpy',
            'ros-rmw-fastrtps-cpp',
            'ros-rosgraph-msgs',
            'ros-sensor-msgs',
            'ros-std-msgs',
            'ros-std-srvs',
            'ros-trajectory-msgs',
            'ros-visualization-msgs',
        ],
        # launch_testing crashes pytest 9.
        'test': [
            'atheris; sys_platform == "linux" and platform_machine == "x86_64"',
            'eaik',
            'hypothesis',
            'mcap-ros2-support',
            'mpmath',
            'mujoco',
            'pin',
            'playwright',
            'pypdfium2',
            'pytest<9',
            'pytest-timeout',
            'pytest-xdist',
            'rosbags',
        ],
        # Part of it is under the MPL-2.0: for whoever asks for it.
        'gamepad': ['PySDL2', 'pysdl2-dll'],
        # The link from another machine, and its keys; an extra, since rosdep has no key for Zenoh.
        'remote': ['cryptography', 'eclipse-zenoh'],
        # The page: a server of web pages and websockets, and QR codes in a terminal.
        'view': ['aiohttp', 'segno'],
        'bench': ['modern-robotics', 'pytest-benchmark'],
        'lint': ['mypy', 'ruff', 'types-PyYAML', 'types-jsonschema', 'types-pyserial'],
    },
    entry_points={
        'console_scripts': [
            f'leg-kinematics = {NAME}.commands.main:main',
            f'kinematics_node = {NAME}.nodes.kinematics_node:main',
            f'gait_node = {NAME}.nodes.gait_node:main',
            f'bridge_node = {NAME}.nodes.bridge_node:main',
            f'player_node = {NAME}.nodes.player_node:main',
            f'teleop_node = {NAME}.nodes.teleop_node:main',
            f'arbiter_node = {NAME}.nodes.arbiter_node:main',
            f'remote_node = {NAME}.nodes.remote_node:main',
            f'legs_node = {NAME}.nodes.one_process:main',
            f'mock_board = {NAME}.board.simulated.mock:main',
        ],
        f'{NAME}.boards': [
            f'framed = {NAME}.board.framed.driver:FramedDriver',
            f'firmata = {NAME}.board.firmata.driver:FirmataDriver',
        ],
    },
)
