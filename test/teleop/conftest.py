# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The layouts that are shipped, and somebody at a pad."""

from collections.abc import Callable
from pathlib import Path

import pytest

from leg_kinematics.teleop.layout import Layout, load_layout
from leg_kinematics.teleop.pad import STICKS, TRIGGERS, Pad

LAYOUTS = Path(__file__).parents[2] / 'config' / 'layouts'


@pytest.fixture(scope='session')
def layout() -> Layout:
    """Return the layout that is taken by default."""
    return load_layout(LAYOUTS / 'two_sticks_four_buttons.yaml')


@pytest.fixture(scope='session')
def pad() -> Callable[..., Pad]:
    """Return a way to hold a pad: names of pressed buttons, and deflections of axes."""

    def hold(*buttons: str, **axes: float) -> Pad:
        return Pad(dict.fromkeys((*STICKS, *TRIGGERS), 0.0) | axes, frozenset(buttons))

    return hold
