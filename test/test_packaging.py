# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What pip, colcon and ROS 2 must agree on."""

from importlib.metadata import distribution
from pathlib import Path
from xml.etree import ElementTree as ET

ROOT = Path(__file__).parents[1]


def test_every_console_script_is_where_ros_looks() -> None:
    """Each console script has its way from lib/leg_kinematics to bin, and there is no other."""
    scripts = distribution('leg_kinematics').entry_points.select(group='console_scripts')
    ways = list((ROOT / 'resource' / 'executables').iterdir())
    assert {way.name for way in ways} == set(scripts.names)
    assert {way.resolve() for way in ways} == {ROOT / 'resource' / 'executable'}


def test_every_entry_point_can_be_loaded() -> None:
    """Each console script and each board driver names something that exists."""
    points = distribution('leg_kinematics').entry_points
    assert points.select(group='leg_kinematics.boards').names == {'framed', 'firmata'}
    for point in points:
        assert callable(point.load())


def test_one_version() -> None:
    """package.xml and setup.py tell the same version and licence."""
    package = ET.parse(ROOT / 'package.xml')
    metadata = distribution('leg_kinematics').metadata
    assert package.findtext('version') == metadata['Version']
    assert package.findtext('license') == metadata['License']
