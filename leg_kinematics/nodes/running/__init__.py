# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What every node needs to run: executor, parameters, priority, a clean end."""
