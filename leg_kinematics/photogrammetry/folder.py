# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Which photographs have come into a folder."""

from collections.abc import Mapping
from pathlib import Path

from leg_kinematics.errors import CommandError

#: What phones call photographs. HEIC is listed so that it is told that it cannot be read.
ENDINGS = frozenset({'.jpg', '.jpeg', '.png', '.heic', '.heif'})


def photographs_in(folder: Path) -> Mapping[str, int]:
    """Return the sizes of the photographs in a folder, bytes, the oldest first.

    Raises
    ------
    CommandError
        The folder cannot be read.

    """
    try:
        found = [
            (status.st_mtime_ns, entry.name, status.st_size)
            for entry in folder.iterdir()
            if entry.suffix.lower() in ENDINGS and not entry.name.startswith('.')
            for status in (entry.stat(),)
        ]
    except OSError as error:
        raise CommandError(
            f'the folder of photographs {folder} cannot be read: {error.strerror or error}'
        ) from error
    return {name: size for _, name, size in sorted(found)}
