# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What may be meant by a word that is none of the known ones, or a file that is not there."""

from collections.abc import Iterable
from difflib import get_close_matches
from itertools import islice
from pathlib import Path

#: So many files of a folder are compared.
FILES = 1000


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Ask for the known word that is nearest; nothing where none is near.

    Returns
    -------
    str
        Such as ``: did you mean 'length'?``, to end a sentence with.

    """
    near = get_close_matches(word, list(known), n=1)
    return f': did you mean {near[0]!r}?' if near else ''


def did_you_mean_file(file: Path) -> str:
    """Ask for the file of the same folder whose name is nearest; nothing where none is near."""
    try:
        names = [each.name for each in islice(file.parent.iterdir(), FILES)]
    except OSError:
        # The folder is not there, either.
        return ''
    return '' if file.name in names else did_you_mean(file.name, names)
