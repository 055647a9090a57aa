# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Our own protocol on a serial line, its driver, and firmware that speaks it."""
