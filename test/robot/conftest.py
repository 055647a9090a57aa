# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The description of bracken, and copies of it with something changed."""

from collections.abc import Callable
from pathlib import Path

import pytest

BRACKEN = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'


@pytest.fixture
def bracken_file() -> Path:
    """Return the description that ships with the package."""
    return BRACKEN


@pytest.fixture
def edited(tmp_path: Path) -> Callable[[str, str], Path]:
    """Return a function that copies the description with the first `old` changed into `new`."""

    def edit(old: str, new: str) -> Path:
        text = BRACKEN.read_text(encoding='utf-8')
        assert old in text
        copy = tmp_path / 'robot.yaml'
        copy.write_text(text.replace(old, new, 1), encoding='utf-8')
        return copy

    return edit
