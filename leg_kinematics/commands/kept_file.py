# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The file to which steps are kept, one by one, and from which they are taken back."""

import os
import tempfile
from collections.abc import Iterable
from pathlib import Path

from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.moves.places import Frame, Place
from leg_kinematics.moves.sequence import load_sequence, step_text
from leg_kinematics.moves.steps import FeetStep

#: What is added to a file to see whether it can be.
TRIAL = FeetStep({'leg': Place(Frame.RESTING, 0.0, 0.0, 0.0)})


class KeptFile:
    """A sequence that grows at its end; what was in it before stays as it is, to the letter.

    Parameters
    ----------
    path
        Of the file. A new one is written with the first step, and goes with the last one.

    Attributes
    ----------
    path
        The same.
    before
        Steps that were in it before.

    Raises
    ------
    DescriptionError
        The file is there, and is no sequence.
    CommandError
        No step can be added at its end, or it cannot be written.

    """

    def __init__(self, path: Path) -> None:
        """Read what is there; write nothing."""
        self.path = path
        self._new = not path.exists()
        self.before = 0
        if self._new:
            self._text = f'name: {path.stem}\n\nsteps:\n'
            return
        self.before = len(load_sequence(path).steps)
        self._text = path.read_text(encoding='utf-8').rstrip() + '\n'
        self._try_adding()

    def _try_adding(self) -> None:
        """Have a copy read with one step more."""
        with tempfile.TemporaryDirectory() as folder:
            copy = Path(folder, self.path.name)
            copy.write_text(self._text + step_text(TRIAL), encoding='utf-8')
            try:
                longer = len(load_sequence(copy).steps)
            except LegKinematicsError:
                longer = 0
        if longer != self.before + 1:
            raise CommandError(
                f'{self.path}: a step cannot be added at the end of this file: expected the list '
                "'steps' there, with '  - ' before each step; keep to another file, which is new"
            )

    def write(self, steps: Iterable[FeetStep]) -> None:
        """Have these steps, and no others, behind those that were there before.

        Raises
        ------
        CommandError
            The file cannot be written; it is as it was.

        """
        text = ''.join(step_text(step) for step in steps)
        try:
            if self._new and not text:
                self.path.unlink(missing_ok=True)
                return
            # Written whole beside it, and put in its place at once.
            beside = self.path.with_name(f'.{self.path.name}.{os.getpid()}')
            beside.write_text(self._text + text, encoding='utf-8')
            beside.replace(self.path)
        except OSError as error:
            raise CommandError(
                f'{self.path} cannot be written: {error.strerror}; nothing was lost, the steps '
                'that were kept are still known here'
            ) from error
