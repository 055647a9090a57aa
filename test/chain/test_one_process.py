# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The three nodes in one process: seen from outside nothing is different, and it ends well."""

import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import numpy as np
import yaml
from numpy.typing import NDArray

from leg_kinematics.board import Record
from leg_kinematics.chain.power import PowerState
from leg_kinematics.nodes.taking_part.chain_processes import end
from leg_kinematics.nodes.taking_part.operator import READY, Operator
from leg_kinematics.recording.walk import Walk

if TYPE_CHECKING:
    from test.chain.conftest import StartChain

RUN = [sys.executable, '-c', 'from leg_kinematics.commands.main import main; main()', 'run']

#: m, by which standing feet may come nearer or farther from each other, and what rounding of the
#: pulses of two legs adds to it.
WORST_DRAG = 1e-3 + 2.0 * 0.3e-3

PARAMETERS = {
    '/**/gait': {'ros__parameters': {'stand_time': 0.8}},
    '/**/bridge': {'ros__parameters': {'enable_interval': 0.02, 'board_silence': 2.0}},
}


def test_it_walks_is_released_and_ends(
    start_chain: 'StartChain',
    walk_of: Callable[[Operator, Sequence[Record]], Walk],
    drag: Callable[[NDArray[np.float64]], float],
    tmp_path: Path,
) -> None:
    """Stand, walk, release, rearm, stand, walk; an interrupt ends it well, and the board holds."""
    scene = start_chain(at_once=['mock'])
    operator = scene.operator
    parameters = tmp_path / 'nodes.yaml'
    parameters.write_text(yaml.safe_dump(PARAMETERS), encoding='utf-8')
    options = {
        '--namespace': operator.node.get_namespace(),
        '--board': f'main=framed:{scene.chain.link}',
        '--params-file': str(parameters),
    }
    with (tmp_path / 'run.log').open('w', encoding='utf-8') as log:
        process = subprocess.Popen(
            [*RUN, '--enable', '--yes', *(text for option in options.items() for text in option)],
            stderr=log,
            text=True,
        )
        try:
            operator.wait_for_power(PowerState.FOLLOWING)
            operator.wait_for_graph()
            operator.wait_for('gait', READY)
            scene.begin()
            operator.stand()
            scene.walk_on()
            walk = walk_of(operator, scene.log.poses(scene.since))
            assert drag(walk.told_feet) < WORST_DRAG

            scene.walk_into_a_step()
            pressed = monotonic()
            assert 'has confirmed' in operator.call('bridge/release')
            operator.wait_for('gait', 'waiting for the bridge, which is released')
            operator.rearm()
            operator.wait_for_power(PowerState.FOLLOWING)
            operator.wait_for('gait', READY)
            rearmed = next(r.time for r in scene.log.records(pressed) if r.event == 'enable')
            scene.see_still(rearmed)
            operator.stand()
            scene.walk_on()
            scene.assert_no_jump()
        finally:
            code = end(process)
    assert code == 0
    assert 'Traceback' not in (tmp_path / 'run.log').read_text(encoding='utf-8')

    def silent() -> list[str]:
        records = scene.log.records(pressed)
        return [record.detail for record in records if record.event == 'silence']

    operator.spin(lambda: bool(silent()), 'the board alone')
    assert silent() == ['hold']
    assert scene.log.records()[-1].enabled == 2**scene.channels - 1
