# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Text files that a person wrote: read without harm, and written whole or not at all."""

import os
import stat
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from pathlib import Path
from tempfile import NamedTemporaryFile

from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot.near import did_you_mean_file

#: Of a file (our own): the maps of 64 servos, each a table of 40 rows, take 80 kB.
MOST_BYTES = 128 * 1024

#: Of a file that is made here: for its owner to write, for all to read.
NEW_MODE = 0o644

#: What stands where an ordinary file was expected, by its type in the mode of a file.
KINDS = {
    stat.S_IFDIR: 'a folder: name a file in it',
    stat.S_IFIFO: 'a pipe: write its content to a file first',
    stat.S_IFCHR: 'a device: name a text file',
    stat.S_IFBLK: 'a device: name a text file',
    stat.S_IFSOCK: 'a socket: name a text file',
}


def read_text(file: Path) -> str:
    """Return the text of a file, without opening what is no ordinary file.

    Raises
    ------
    DescriptionError
        It cannot be read, is no ordinary file, too large, or no UTF-8.

    """
    try:
        kind = stat.S_IFMT(file.stat().st_mode)
        if kind in KINDS:
            raise DescriptionError(f'this is {KINDS[kind]}', file=file)
        with file.open('rb') as stream:
            data = stream.read(MOST_BYTES + 1)
    except OSError as error:
        reason = (error.strerror or str(error)) + did_you_mean_file(file)
        raise DescriptionError(f'cannot be read: {reason}', file=file) from error
    if len(data) > MOST_BYTES:
        raise DescriptionError(
            f'larger than {MOST_BYTES // 1024} kB, which such a file never needs: '
            'is it the right file?',
            file=file,
        )
    if data.startswith((BOM_UTF16_LE, BOM_UTF16_BE)):
        raise DescriptionError(
            'this is UTF-16, as some editors write it: save it with the encoding UTF-8',
            file=file,
            line=1,
        )
    try:
        return data.decode('utf-8')
    except UnicodeDecodeError as error:
        raise DescriptionError(
            f'not a UTF-8 text ({error.reason}): save it with the encoding UTF-8, or name the '
            f'right file',
            file=file,
            line=data.count(b'\n', 0, error.start) + 1,
        ) from error


def create_text(file: Path, text: str) -> None:
    """Write a text into a file that is not there yet, whole or not at all.

    Raises
    ------
    DescriptionError
        Something is there, or it cannot be written; then it is as it was.

    """
    if file.exists() or file.is_symlink():
        raise DescriptionError(
            'something stands here by now: nothing was written, read it first', file=file
        )
    try:
        _write(file, text, NEW_MODE)
    except OSError as error:
        reason = error.strerror or str(error)
        raise DescriptionError(f'cannot be written: {reason}', file=file) from error


def replace_text(file: Path, former: str, text: str) -> Path:
    """Write another text into a file and keep the former one beside it, as ``name~``.

    Parameters
    ----------
    file
        The file; a link stays one.
    former
        What is thought to stand in it.
    text
        What shall.

    Returns
    -------
    Path
        Where the former text is kept.

    Raises
    ------
    DescriptionError
        Something else stands in the file by now, or it cannot be written; then it is as it was.

    """
    if read_text(file) != former:
        raise DescriptionError(
            'somebody changed this file after it was read: nothing was written, read it again',
            file=file,
        )
    target = file.resolve()
    kept = target.with_name(f'{target.name}~')
    try:
        mode = stat.S_IMODE(target.stat().st_mode)
        _write(kept, former, mode)
        _write(target, text, mode)
    except OSError as error:
        reason = error.strerror or str(error)
        raise DescriptionError(f'cannot be written: {reason}', file=file) from error
    return kept


def _write(file: Path, text: str, mode: int) -> None:
    """Write a file whole or not at all, also if the power fails meanwhile."""
    with NamedTemporaryFile(
        'w', dir=file.parent, prefix=f'{file.name}.', delete=False, encoding='utf-8', newline=''
    ) as stream:
        fresh = Path(stream.name)
        try:
            stream.write(text)
            stream.flush()
            os.fchmod(stream.fileno(), mode)
            os.fsync(stream.fileno())
            fresh.replace(file)
        except OSError:
            fresh.unlink()
            raise
