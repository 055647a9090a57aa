# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What many commands are told alike: files, and the chain that they join."""
