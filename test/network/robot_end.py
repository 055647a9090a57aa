# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The robot's computer in a campaign: nodes of its chain on a mock, and a witness beside them.

    robot_end.py NAMESPACE FOLDER NODE...

It says `there` when the chain runs, and when its input ends whether any joint was told to jump.
"""

import json
import select
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.nodes.taking_part.chain_processes import Chain
from leg_kinematics.robot import load_robot

if TYPE_CHECKING:
    from test.witness import PulseLog, Witness, jump_check
else:
    from witness import PulseLog, Witness, jump_check

CONFIG = Path(__file__).parents[2] / 'config'
ROBOT = CONFIG / 'robots' / 'bracken.yaml'
SERVO_MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'


def run(namespace: str, folder: Path, nodes: list[str]) -> dict[str, object]:
    """Run until the input ends; then judge."""
    robot = load_robot(ROBOT)
    chain = Chain(
        ROBOT,
        SERVO_MAPS,
        namespace,
        folder,
        parameters={'gait': {'stand_time': 0.8}, 'bridge': {'board_silence': 2.0}},
        at_once=['mock', *nodes],
    )
    witness = Witness(namespace)
    # It only listens: the gait tells of a second sender.
    witness.node.destroy_publisher(witness._commands)  # noqa: SLF001
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    with chain:
        sys.stdout.write('there\n')
        sys.stdout.flush()
        while not select.select([sys.stdin], [], [], 0.0)[0]:
            witness.spin_once(0.02)
    jump = ''
    try:
        jump_check(robot, load_servo_maps(SERVO_MAPS, robot))(
            witness, PulseLog(chain.pulse_log).records()
        )
    except AssertionError as error:
        jump = str(error) or repr(error)
    witness.close()
    return {'jump': jump, 'exit_codes': chain.exit_codes}


if __name__ == '__main__':
    sys.stdout.write(json.dumps(run(sys.argv[1], Path(sys.argv[2]), sys.argv[3:])) + '\n')
