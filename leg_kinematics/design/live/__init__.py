# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The report beside the editor: made anew whenever the description is saved, for a page."""
