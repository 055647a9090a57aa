# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Thin ROS 2 adapters: one file a node, everything they compute lives below."""
