# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A robot measured on the bench: its servo maps by a protractor, its feet by ruler or camera."""
