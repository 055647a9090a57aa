# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Parameter files read without a node: as the gait node reads them."""

from pathlib import Path

import pytest

from leg_kinematics.errors import DescriptionError
from leg_kinematics.gait import GaitParameters
from leg_kinematics.nodes.running.parameter_file import read_gait_parameters, read_settings
from leg_kinematics.teleop.steering import SteeringParameters

NODES = Path(__file__).parents[2] / 'config' / 'nodes.yaml'


def read(folder: Path, text: str) -> GaitParameters:
    """Read a file with this text."""
    file = folder / 'params.yaml'
    file.write_text(text, encoding='utf-8')
    return read_gait_parameters(file)


def test_the_example_is_how_the_gait_walks_by_default() -> None:
    """Then `check` without a file tells of what `run` does without one."""
    assert read_gait_parameters(NODES) == GaitParameters()


def test_other_nodes_are_read_alike(tmp_path: Path) -> None:
    """As `drive` does, which drives as `teleop` would."""
    assert read_settings(NODES, 'teleop').of(SteeringParameters) == SteeringParameters()
    file = tmp_path / 'params.yaml'
    file.write_text(
        '/**/gait: {ros__parameters: {lift: 0.02}}\n'
        '/bracken/teleop: {ros__parameters: {slow_speed: 0.03}}\n',
        encoding='utf-8',
    )
    assert read_settings(file, 'teleop').of(SteeringParameters).slow_speed == 0.03
    file.write_text('teleop: {ros__parameters: {slow_speed: 30}}\n', encoding='utf-8')
    with pytest.raises(DescriptionError, match="'slow_speed' must be"):
        read_settings(file, 'teleop')


# Names as in the design article "ROS 2 Parameter File" and the wildcards of
# rcl_yaml_param_parser: * for one part of a name, ** for any number of them (from memory).
@pytest.mark.parametrize(
    'name', ['/**', '/**/gait', 'gait', '/gait', '/bracken/gait', '/garden/bracken/gait', '/*/gait']
)
def test_every_name_of_the_gait_node_is_heard(tmp_path: Path, name: str) -> None:
    """With any namespace, since nobody knows which one the robot will have."""
    text = f'{name}:\n  ros__parameters:\n    lift: 0.02\n'
    assert read(tmp_path, text) == GaitParameters(lift=0.02)


def test_namespaces_may_be_levels(tmp_path: Path) -> None:
    """As the article has it: the namespace is a key above the name of the node."""
    text = 'garden:\n  gait:\n    ros__parameters:\n      lift: 0.02\n'
    assert read(tmp_path, text) == GaitParameters(lift=0.02)


def test_other_nodes_are_not_heard(tmp_path: Path) -> None:
    """A key of the bridge is no unknown key of the gait."""
    text = '/**/bridge: {ros__parameters: {joint_acceleration: 100.0}}\n'
    assert read(tmp_path, text) == GaitParameters()


def test_later_values_replace_earlier_ones(tmp_path: Path) -> None:
    """And values of one node add to those of all."""
    text = (
        '/**: {ros__parameters: {lift: 0.02, realtime_priority: 20, use_sim_time: false}}\n'
        '/**/gait: {ros__parameters: {lift: 0.01, acceleration: 1e-1, phases: []}}\n'
    )
    assert read(tmp_path, text) == GaitParameters(lift=0.01, acceleration=0.1)


@pytest.mark.parametrize(
    ('text', 'told'),
    [
        ('robot: bracken\n', "no ROS 2 parameter file: there is no 'ros__parameters'"),
        ('- 1\n', "no ROS 2 parameter file: there is no 'ros__parameters'"),
        ('gait: {ros__parameters: 1}\n', "'ros__parameters' of /gait must be a mapping"),
        ('gait: {ros__parameters: {lifd: 0.01}}\n', "unknown parameter 'lifd'"),
        ('gait: {ros__parameters: {lift: 20}}\n', "'lift' must be"),
        ('gait: {ros__parameters: {lift: high}}\n', "'lift' must be"),
        ('gait: {ros__parameters: {phases: [left]}}\n', "'phases' must list LEG=PHASE"),
        (
            'gait: {ros__parameters: {contacts: true, search_depth: 0.05}}\n',
            'search_depth 0.05 m must be below lift',
        ),
        ('gait: {ros__parameters: {lift: 0.01\n', 'not valid YAML'),
    ],
)
def test_what_is_wrong_is_told_with_the_file(tmp_path: Path, text: str, told: str) -> None:
    """Nothing of it is ignored in silence."""
    with pytest.raises(DescriptionError) as error:
        read(tmp_path, text)
    assert told in str(error.value)
    assert 'params.yaml' in str(error.value)
