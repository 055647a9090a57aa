# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The chain from a body velocity to servo pulses, without clock, thread or ROS.

Three stages hand frozen values to each other, and every instant is an argument: `Walking` turns a
body velocity into foot targets, `Solving` those into joint trajectories, `Driving` those into
pulses. Who has power and who may move is one table, in `power`.
"""
