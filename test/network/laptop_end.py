# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The laptop in a campaign: perhaps gait and kinematics, and who drives, over the link.

    laptop_end.py NAMESPACE FOLDER SPEED NODE...

It says `standing` when the robot stands, and then has it walk ahead, m/s, until its input ends.
"""

import select
import signal
import sys
from pathlib import Path

from leg_kinematics.gait import Twist
from leg_kinematics.nodes.taking_part.chain_processes import Chain
from leg_kinematics.nodes.taking_part.operator import Operator

CONFIG = Path(__file__).parents[2] / 'config'


def run(namespace: str, folder: Path, speed: float, nodes: list[str]) -> None:
    """Have the robot stand up and walk."""
    chain = Chain(
        CONFIG / 'robots' / 'bracken.yaml',
        CONFIG / 'servo_maps' / 'bracken.yaml',
        namespace,
        folder,
        parameters={'gait': {'stand_time': 0.8}},
        at_once=nodes,
    )
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))
    with chain:
        operator = Operator(namespace)
        operator.bring_up()
        operator.stand()
        sys.stdout.write('standing\n')
        sys.stdout.flush()
        while not select.select([sys.stdin], [], [], 0.0)[0]:
            operator.drive(Twist(x=speed), 0.1, 'ahead')
        operator.close()


if __name__ == '__main__':
    run(sys.argv[1], Path(sys.argv[2]), float(sys.argv[3]), sys.argv[4:])
