# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Benchmarks are collected where the extra `bench` is installed; they are never part of a test."""

from importlib.util import find_spec

NEEDED = ('modern_robotics', 'pytest_benchmark')

collect_ignore_glob = [] if all(map(find_spec, NEEDED)) else ['test_*.py']
