# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Lengths, mounts and servo maps of a robot, identified from where its feet really are."""
