# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Driving from another machine: keys, what crosses the link, and what may move the robot."""
