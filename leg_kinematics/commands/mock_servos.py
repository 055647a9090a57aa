# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Mock boards with servos whose truth nobody is told, and what a protractor would show of them."""

import json
import tempfile
from collections.abc import Iterable
from dataclasses import replace
from math import degrees
from pathlib import Path
from random import Random
from types import TracebackType
from typing import Self

from leg_kinematics.board.simulated.true_servo import TrueServo, save_true_servos
from leg_kinematics.calibration.bench import ServoOutput
from leg_kinematics.calibration.joint_notes import JointTask
from leg_kinematics.errors import BoardError
from leg_kinematics.nodes.chain_processes import MockProcess


class MockServos:
    """A mock board for every board that is named, from entering to leaving.

    A joint has the same servo every time, with its horn near to where it is best fitted.

    Parameters
    ----------
    tasks
        The joints.

    Attributes
    ----------
    specs
        The boards as NAME=DRIVER:PORT.

    """

    def __init__(self, tasks: Iterable[JointTask]) -> None:
        """Start nothing yet."""
        self._servos: dict[str, dict[int, TrueServo]] = {}
        for task in tasks:
            board, channel = task.output
            drawn = TrueServo.draw(channel, Random(task.joint))
            # A tooth beside where it was wanted, not somewhere.
            offset = degrees(task.fitting.angle) + 0.3 * drawn.horn_offset
            servo = replace(drawn, horn_offset=offset)
            self._servos.setdefault(board, {})[channel] = servo
        self._temporary = tempfile.TemporaryDirectory(prefix='mock-servos-')
        self._folder = Path(self._temporary.name)
        self._mocks: list[MockProcess] = []
        self.specs = [f'{name}=framed:{self._folder / name}' for name in self._servos]

    def __enter__(self) -> Self:
        """Start them."""
        try:
            for name, servos in self._servos.items():
                truth = self._folder / f'{name}.servos'
                save_true_servos(truth, servos)
                options = ['--true-servos', str(truth), '--protractor', str(self._angles(name))]
                log = self._folder / f'{name}.log'
                self._mocks.append(MockProcess(self._folder / name, log, options))
        except BoardError:
            self.__exit__(None, None, None)
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End them."""
        for mock in self._mocks:
            mock.end()
        self._temporary.cleanup()

    def angle(self, output: ServoOutput) -> float:
        """Read the angle of the joint at an output off the protractor, deg."""
        board, channel = output
        shown = json.loads(self._angles(board).read_text(encoding='utf-8'))
        return float(shown[str(channel)])

    def _angles(self, board: str) -> Path:
        return self._folder / f'{board}.angles'
