# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Mock boards with the servos of a robot, and what a protractor would show of its joints."""

import json
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from leg_kinematics.board.simulated.true_servo import TrueServo, save_true_servos
from leg_kinematics.calibration.bench import ServoOutput
from leg_kinematics.nodes.taking_part.chain_processes import MockBoards


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
def mock_servos(servos: Mapping[ServoOutput, TrueServo]) -> Iterator[MockServos]:
    """Run a mock board for every board that servos are connected to.

    Raises
    ------
    BoardError
        A mock did not start.

    """
    boards: dict[str, dict[int, TrueServo]] = {}
    for (board, channel), servo in servos.items():
        boards.setdefault(board, {})[channel] = replace(servo, joint=channel)
    with tempfile.TemporaryDirectory(prefix='mock-servos-') as name:
        folder = Path(name)
        options = {}
        for board, on_board in boards.items():
            truth = folder / f'{board}.servos'
            save_true_servos(truth, on_board)
            angles = _angles(folder, board)
            options[board] = ['--true-servos', str(truth), '--protractor', str(angles)]
        with MockBoards(list(boards), folder, options) as mocks:
            yield MockServos(mocks.specs, folder)


def _angles(folder: Path, board: str) -> Path:
    return folder / f'{board}.angles'
