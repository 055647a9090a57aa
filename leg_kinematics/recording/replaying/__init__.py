# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A recorded run played again: what of it, how fast, and what is sent for it at each instant."""
