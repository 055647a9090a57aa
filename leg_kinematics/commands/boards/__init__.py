# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Servo boards: what they are set to, their firmware, their wiring."""
