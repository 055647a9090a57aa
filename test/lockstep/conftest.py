# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The robots of these tests."""

from typing import TYPE_CHECKING

import pytest

from leg_kinematics.calibration import ServoMaps
from leg_kinematics.robot import Robot

if TYPE_CHECKING:
    from test import watched
else:
    import watched


@pytest.fixture(scope='session')
def bracken() -> Robot:
    """Six legs, on one board."""
    return watched.bracken()[0]


@pytest.fixture(scope='session')
def bracken_maps(bracken: Robot) -> ServoMaps:
    """Its servo maps."""
    del bracken
    return watched.bracken()[1]
