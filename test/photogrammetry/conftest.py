# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The example robot, and its pages of markers."""

from pathlib import Path

import pytest

from leg_kinematics.photogrammetry.sheets import write_sheets
from leg_kinematics.robot import Robot, load_robot

ROBOT = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'

#: Of the pages in `sheets_file`.
SHEETS = 2


@pytest.fixture(scope='session')
def bracken() -> Robot:
    """Return the robot that ships with the package."""
    return load_robot(ROBOT)


@pytest.fixture(scope='session')
def sheets_file(bracken: Robot, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write two floor sheets and the markers of its feet."""
    file = tmp_path_factory.mktemp('markers') / 'markers.pdf'
    assert write_sheets(bracken, file, SHEETS) == SHEETS + 1
    return file
