# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What is told before the servos of a real robot get their power."""

CAUTION = """\
CAUTION: servos start without warning and pinch, batteries burn, robots fall. Put the robot on a
stand with its feet free, keep fingers and eyes clear, fuse the battery and keep its switch within
reach. At its first pulse a servo runs to the resting posture at full speed: with the power off,
turn the legs gently near to it. Ctrl-C ends this program, not the pulses: the board then holds,
unless board_silence_reaction is release. bridge/release or the switch of the battery ends them.
Local rules and, where they ask for it, licensed people decide over batteries and wiring."""
