# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Photographs that come into a folder."""

import os
from pathlib import Path

import pytest

from leg_kinematics.errors import CommandError
from leg_kinematics.photogrammetry.folder import can_be_read, photographs_in


def test_photographs_are_told_the_oldest_first(tmp_path: Path) -> None:
    """By the time that the files have; what is no photograph is left out."""
    for age, name in enumerate(('b.JPG', 'a.png', 'notes.txt', '.c.jpg', 'd.heic')):
        (tmp_path / name).write_bytes(b'x' * (age + 1))
        os.utime(tmp_path / name, (1e9 - age, 1e9 - age))
    assert dict(photographs_in(tmp_path)) == {'d.heic': 5, 'a.png': 2, 'b.JPG': 1}
    assert list(photographs_in(tmp_path)) == ['d.heic', 'a.png', 'b.JPG']


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    """The message names it."""
    with pytest.raises(CommandError, match=r'folder of photographs .*none cannot be read: No such'):
        photographs_in(tmp_path / 'none')


@pytest.mark.parametrize(
    ('content', 'readable'),
    [
        (b'\xff\xd8\xff\xe1 Exif', True),
        (b'\x89PNG\r\n\x1a\n', True),
        (b'\x00\x00\x00\x18ftypheic', False),
        (b'RIFF\x00\x00\x00\x00WEBP', False),
        (b'', False),
        (None, False),
    ],
)
def test_what_can_be_read(tmp_path: Path, content: bytes | None, *, readable: bool) -> None:
    """By what is in it, not by its name (ISO/IEC 10918-1 and 15948, from memory); or not there."""
    if content is not None:
        (tmp_path / 'a.jpg').write_bytes(content)
    assert can_be_read(tmp_path / 'a.jpg') is readable
