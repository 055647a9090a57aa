# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Moves of feet and body that somebody asks for one by one: without a gait."""
