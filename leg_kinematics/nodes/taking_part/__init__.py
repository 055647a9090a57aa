# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Programs that take part in a chain for a while: find it, start it, hear it, operate it."""
