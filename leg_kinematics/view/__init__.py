# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""See the robot in a browser, and drive it from there."""
