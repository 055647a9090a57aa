# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Between ROS and the plain values of the layers below: messages, stamps, names, qualities."""
