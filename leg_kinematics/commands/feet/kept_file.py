# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The file to which steps are kept, one by one, and from which they are taken back."""

import json
import tempfile
from collections.abc import Iterable
from pathlib import Path

from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.moves.places import Frame, Place
from leg_kinematics.moves.sequence import load_sequence, step_text
from leg_kinematics.moves.steps import FeetStep
from leg_kinematics.robot.text_file import read_text, replace_text

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
        No step can be added at its end, or its folder is not there.

    """

    def __init__(self, path: Path) -> None:
        """Read what is there; write nothing."""
        self.path = path
        self._new = not path.exists()
        self._now: str | None = None
        self.before = 0
        if self._new:
            if not path.parent.is_dir():
                raise CommandError(f'{path}: there is no folder {path.parent}; make it first')
            self._text = f'name: {json.dumps(path.stem, ensure_ascii=False)}\n\nsteps:\n'
            return
        self.before = len(load_sequence(path).steps)
        self._now = read_text(path)
        self._text = self._now if self._now.endswith('\n') else self._now + '\n'
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

        What stood in the file before stays beside it, as ``name~``.

        Raises
        ------
        LegKinematicsError
            The file cannot be written, or somebody else has changed it; it is as it was.

        """
        text = self._text + ''.join(step_text(step) for step in steps)
        if self._new and text == self._text:
            self._remove()
        elif self._now is None:
            self._create(text)
        else:
            replace_text(self.path, self._now, text)
            self._now = text

    def _create(self, text: str) -> None:
        try:
            with self.path.open('x', encoding='utf-8') as file:
                file.write(text)
        except OSError as error:
            raise CommandError(f'{self.path} cannot be written: {error.strerror}') from error
        self._now = text

    def _remove(self) -> None:
        if self._now is None:
            return
        # As a text of nothing first: this looks whether somebody has changed it.
        replace_text(self.path, self._now, '')
        self.path.unlink()
        self._now = None
