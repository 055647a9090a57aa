# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A terminal: keys, screens, questions, signals, and text that fits."""
