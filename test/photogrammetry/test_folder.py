# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Photographs that come into a folder."""

import os
from pathlib import Path

import pytest

from leg_kinematics.errors import CommandError
from leg_kinematics.photogrammetry.folder import photographs_in


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
