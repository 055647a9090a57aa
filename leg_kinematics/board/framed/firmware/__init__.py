# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The program of our servo board, for the ATmega328P at 16 MHz.

``board.hex`` is ready to be flashed; the C files beside it are its source, and ``firmware.mk``
builds it.
"""
