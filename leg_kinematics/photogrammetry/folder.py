# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Which photographs have come into a folder."""

from collections.abc import Mapping
from pathlib import Path

from leg_kinematics.errors import CommandError

#: What phones and cameras call photographs; what cannot be read is listed so that it is told.
ENDINGS = frozenset(
    {'.jpg', '.jpeg', '.png'}
    | {'.heic', '.heif', '.hif', '.avif', '.webp', '.jxl', '.dng', '.tif', '.tiff', '.bmp'}
)

#: How files begin that can be read: JPEG (ISO/IEC 10918-1, the markers SOI and the first byte of
#: the next one), and PNG (ISO/IEC 15948, 5.2); from memory.
SIGNATURES = (b'\xff\xd8\xff', b'\x89PNG\r\n\x1a\n')


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


def can_be_read(file: Path) -> bool:
    """Tell by its first bytes, whatever it is called, whether a photograph can be read."""
    try:
        with file.open('rb') as opened:
            return opened.read(8).startswith(SIGNATURES)
    except OSError:
        # It was taken away again, or is still being put there.
        return False
