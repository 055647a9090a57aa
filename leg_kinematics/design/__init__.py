# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Questions to a design before it is built: the analysis behind `check`."""
