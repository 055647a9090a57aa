# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Boards that speak Firmata, an open protocol without checksums."""
