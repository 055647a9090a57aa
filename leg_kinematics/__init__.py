# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""From a body velocity to servo pulses: the whole job of driving a robot's legs."""
