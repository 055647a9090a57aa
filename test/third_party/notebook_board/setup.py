# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A package of somebody else: its entry point is all that makes its driver known."""

from setuptools import setup

setup(
    name='notebook_board',
    version='1.0',
    py_modules=['notebook_board'],
    entry_points={'leg_kinematics.boards': ['notebook = notebook_board:NotebookDriver']},
)
