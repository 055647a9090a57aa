# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Driving by hand: from pad and keys to what is wanted, and whose velocity counts."""
