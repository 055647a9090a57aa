# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Mock boards with servos whose truth nobody is told, and what a protractor would show of them."""

import json
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from math import degrees
from pathlib import Path
from random import Random

from leg_kinematics.board.simulated.true_servo import TrueServo, save_true_servos
from leg_kinematics.calibration.bench import ServoOutput
from leg_kinematics.calibration.joint_notes import JointTask
from leg_kinematics.nodes.chain_processes import MockBoards


@dataclass(frozen=True)
class MockServos:
    """What is known of the mock boards.

    Attributes
    ----------
    specs
        The boards as NAME=DRIVER:PORT.
    folder
        Where the protractors of the boards are.

    """

    specs: Sequence[str]
    folder: Path

    def angle(self, output: ServoOutput) -> float:
        """Read the angle of the joint at an output off the protractor, deg."""
        board, channel = output
        shown = json.loads(_angles(self.folder, board).read_text(encoding='utf-8'))
        return float(shown[str(channel)])


@contextmanager
def mock_servos(tasks: Iterable[JointTask]) -> Iterator[MockServos]:
    """Run a mock board for every board of the joints; a joint has the same servo every time.

    Its horn is near to where it is best fitted.

    Raises
    ------
    BoardError
        A mock did not start.

    """
    servos: dict[str, dict[int, TrueServo]] = {}
    for task in tasks:
        board, channel = task.output
        drawn = TrueServo.draw(channel, Random(task.joint))
        # A tooth beside where it was wanted, not somewhere.
        offset = degrees(task.fitting.angle) + 0.3 * drawn.horn_offset
        servos.setdefault(board, {})[channel] = replace(drawn, horn_offset=offset)
    with tempfile.TemporaryDirectory(prefix='mock-servos-') as name:
        folder = Path(name)
        options = {}
        for board, on_board in servos.items():
            truth = folder / f'{board}.servos'
            save_true_servos(truth, on_board)
            angles = _angles(folder, board)
            options[board] = ['--true-servos', str(truth), '--protractor', str(angles)]
        with MockBoards(list(servos), folder, options) as mocks:
            yield MockServos(mocks.specs, folder)


def _angles(folder: Path, board: str) -> Path:
    return folder / f'{board}.angles'
