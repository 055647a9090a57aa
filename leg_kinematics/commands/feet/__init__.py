# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Feet moved step by step: by a command, by a file, by keys."""
