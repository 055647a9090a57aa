# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What lets others drive a chain from their machines: remote and arbiter, beside the chain.

They are processes of their own, so that what comes through the link takes no time from the tick.
"""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from leg_kinematics.nodes.taking_part.chain_processes import end


@contextmanager
def driven_from_elsewhere(key: Path, namespace: str, params_file: Path) -> Iterator[None]:
    """Have both nodes until leaving.

    Parameters
    ----------
    key
        Folder of the key of the robot.
    namespace
        Of the chain.
    params_file
        Parameters of the nodes.

    """
    common = ['-r', f'__ns:={namespace}', '--params-file', str(params_file)]
    with ExitStack() as stack:
        for node, own in (('arbiter', []), ('remote', ['-p', f'key:={key}'])):
            process = subprocess.Popen(  # noqa: S603  our own module
                [
                    *(sys.executable, '-m', f'leg_kinematics.nodes.{node}_node'),
                    *('--ros-args', *common, *own),
                ],
                start_new_session=True,
                text=True,
            )
            stack.callback(end, process)
        yield
