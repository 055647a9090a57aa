# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Recordings in the standard bag format: written, read, mended, and kept in memory."""
