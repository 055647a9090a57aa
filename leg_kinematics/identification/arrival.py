# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What has become of a photograph that comes into a folder."""

import enum


class Arrival(enum.Enum):
    """How a file in the folder of photographs is."""

    COMING = enum.auto()
    """It is still being copied."""
    WHOLE = enum.auto()
    """It can be used."""
    UNREADABLE = enum.auto()
    """It is whole, and of a kind that cannot be read."""
