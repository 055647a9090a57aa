# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Our processes talk by sockets unless somebody has chosen otherwise."""

import os
import subprocess
import sys

import pytest
from rclpy.utilities import get_rmw_implementation_identifier

PROCESS = """
from pathlib import Path
import rclpy
from leg_kinematics.nodes.running.transport import prefer_sockets
prefer_sockets()
rclpy.init()
node = rclpy.create_node('alone')
print('/dev/shm/fast' in Path('/proc/self/maps').read_text())
node.destroy_node()
rclpy.shutdown()
"""


@pytest.mark.skipif(
    get_rmw_implementation_identifier() != 'rmw_fastrtps_cpp',
    reason='the transport is set for Fast DDS, and this ROS 2 runs on another middleware',
)
@pytest.mark.parametrize(
    ('chosen', 'shared', 'warned'),
    [
        ({}, False, False),
        ({'FASTDDS_BUILTIN_TRANSPORTS': 'DEFAULT'}, True, False),
        ({'ROS_AUTOMATIC_DISCOVERY_RANGE': 'LOCALHOST'}, True, True),
    ],
)
def test_memory_is_shared_only_on_request(
    chosen: dict[str, str], *, shared: bool, warned: bool
) -> None:
    """Judged by what a process has mapped; where it cannot be helped there is a warning."""
    environment = {k: v for k, v in os.environ.items() if 'FASTDDS' not in k} | chosen
    done = subprocess.run(
        [sys.executable, '-c', PROCESS], env=environment, capture_output=True, text=True, check=True
    )
    assert done.stdout == f'{shared}\n'
    assert ('LOCALHOST' in done.stderr) is warned
