# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A node that is misspelt in a parameter file is told; nodes of others are let alone."""

from pathlib import Path

import pytest

from leg_kinematics.commands.options.files import config_folder
from leg_kinematics.errors import DescriptionError
from leg_kinematics.nodes.running.parameter_file import check_node_names

BLOCK = '\n  ros__parameters:\n    rate: 50.0\n'


@pytest.mark.parametrize(
    'name', ['gait', '/**/gait', '/bracken/bridge', '/**', '/*', 'rosbridge', 'camera', 'grid']
)
def test_names_of_ours_and_of_others_are_taken(tmp_path: Path, name: str) -> None:
    """As ROS 2 takes them (design.ros2.org, "ROS 2 Parameter File"), wildcards too."""
    file = tmp_path / 'nodes.yaml'
    file.write_text(f'{name}:{BLOCK}')
    check_node_names(file)


@pytest.mark.parametrize(
    ('name', 'meant'),
    [('giat', 'gait'), ('/**/brigde', 'bridge'), ('/bracken/kinematic', 'kinematics')],
)
def test_a_name_that_is_nearly_one_of_ours_is_refused(
    tmp_path: Path, name: str, meant: str
) -> None:
    """With its line, in whatever namespace."""
    file = tmp_path / 'nodes.yaml'
    file.write_text(f'gait:{BLOCK}{name}:{BLOCK}')
    with pytest.raises(DescriptionError, match=f"did you mean '{meant}'") as caught:
        check_node_names(file)
    assert caught.value.line == 4


def test_names_below_a_namespace_are_seen(tmp_path: Path) -> None:
    """A namespace may be a mapping of its own."""
    file = tmp_path / 'nodes.yaml'
    file.write_text('bracken:\n  giat:\n    ros__parameters:\n      lift: 0.02\n')
    with pytest.raises(DescriptionError, match=rf'{file}:2: no node'):
        check_node_names(file)


def test_the_example_is_right() -> None:
    """All its names are ours."""
    check_node_names(config_folder() / 'nodes.yaml')
