# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The servo maps of bracken, and copies of them with something changed."""

from collections.abc import Callable
from pathlib import Path

import pytest

from leg_kinematics.robot import Robot, load_robot

CONFIG = Path(__file__).parents[2] / 'config'
MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'


@pytest.fixture(scope='session')
def bracken() -> Robot:
    """Return the robot that ships with the package."""
    return load_robot(CONFIG / 'robots' / 'bracken.yaml')


@pytest.fixture
def maps_file() -> Path:
    """Return the servo maps that ship with the package."""
    return MAPS


@pytest.fixture
def edited_maps(tmp_path: Path) -> Callable[[str, str], Path]:
    """Return a function that copies the maps with the first `old` changed into `new`."""

    def edit(old: str, new: str) -> Path:
        text = MAPS.read_text(encoding='utf-8')
        assert old in text
        copy = tmp_path / 'maps.yaml'
        copy.write_text(text.replace(old, new, 1), encoding='utf-8')
        return copy

    return edit
