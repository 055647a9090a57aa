# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""ROS 2 parameter files, read without a node: whom they are for, and what a node is told."""

import re
from collections.abc import Iterator, Mapping
from pathlib import Path

import yaml

from leg_kinematics.errors import CommandError, DescriptionError
from leg_kinematics.gait import GaitParameters
from leg_kinematics.nodes.running.catalogue import NODES, OF_ROS
from leg_kinematics.parameters import Settings, validate
from leg_kinematics.robot import did_you_mean
from leg_kinematics.robot.bounded_yaml import compose
from leg_kinematics.robot.text_file import read_text

#: Below it stand the parameters of the node whose name leads to it.
PARAMETERS = 'ros__parameters'

#: Stand for any node.
WILDCARDS = ('*', '**')


class _Loader(yaml.SafeLoader):
    """Takes numbers such as 1e-3 for numbers, as ROS 2 does, and PyYAML does not."""


_Loader.add_implicit_resolver(
    'tag:yaml.org,2002:float', re.compile(r'[-+]?\d+(\.\d*)?[eE][-+]?\d+'), list('-+0123456789')
)


def check_node_names(file: Path) -> None:
    """Refuse a parameter file in which the name of one of our nodes is misspelt.

    Nodes of other packages may stand in the same file. So only a name that begins as one of ours
    does, is about as long, and is near to it, is taken for misspelt.

    Raises
    ------
    DescriptionError
        A name is misspelt, or the file is no YAML; says which line.

    """
    for key in _nodes_in(compose(read_text(file), file)):
        name = key.value.rpartition('/')[2]
        if name in (*NODES, *WILDCARDS):
            continue
        alike = [each for each in NODES if each[0] == name[:1] and abs(len(each) - len(name)) < 2]
        if meant := did_you_mean(name, alike):
            raise DescriptionError(
                f'no node {key.value!r}, so that nobody would take its parameters; our nodes are '
                f'{", ".join(NODES)}{meant}',
                file=file,
                line=key.start_mark.line + 1,
            )


def _nodes_in(node: yaml.Node) -> Iterator[yaml.ScalarNode]:
    """Give the keys right above parameters."""
    if not isinstance(node, yaml.MappingNode):
        return
    for key, value in node.value:
        if isinstance(value, yaml.MappingNode) and isinstance(key, yaml.ScalarNode):
            if any(inner.value == PARAMETERS for inner, _ in value.value):
                yield key
            yield from _nodes_in(value)


def read_gait_parameters(file: Path) -> GaitParameters:
    """Read how to walk, as a gait node that is started with this file would.

    Raises
    ------
    DescriptionError
        As `read_settings`, or the values contradict each other.

    """
    parameters = read_settings(file, 'gait').of(GaitParameters)
    try:
        parameters.check()
    except CommandError as error:
        raise DescriptionError(str(error), file=file) from error
    return parameters


def read_settings(file: Path, node: str) -> Settings:
    """Read the parameters of a node, as one that is started with this file would.

    Of its namespace nothing is known, so that any will do. Files that it would need are not asked
    for.

    Parameters
    ----------
    file
        As it follows `--params-file`: names of nodes, with wildcards (design.ros2.org, "ROS 2
        Parameter File"); where several fit, later ones in the file replace earlier ones.
    node
        Name of one of ours.

    Raises
    ------
    DescriptionError
        It cannot be read, is no parameter file, the name of a node is misspelt, or a value in it
        is wrong.

    """
    check_node_names(file)
    content = yaml.load(read_text(file), _Loader)  # noqa: S506  a safe loader
    values: dict[str, object] = {}
    blocks = list(_blocks(content, ''))
    if not blocks:
        raise DescriptionError(
            f"no ROS 2 parameter file: there is no '{PARAMETERS}'; expected such as\n"
            f'/**/gait:\n  {PARAMETERS}:\n    swing_time: 0.5',
            file=file,
        )
    for name, block in blocks:
        if not isinstance(block, Mapping):
            raise DescriptionError(f"'{PARAMETERS}' of {name} must be a mapping", file=file)
        if _fits(name, node):
            values |= {key: value for key, value in block.items() if key not in OF_ROS}
    # The files are those that the command names.
    files = [each.name for each in NODES[node] if each.required]
    given = values | dict.fromkeys(files, str(file))
    try:
        return Settings(validate(NODES[node], given))
    except CommandError as error:
        raise DescriptionError(str(error), file=file) from error


def _blocks(content: object, name: str) -> Iterator[tuple[str, object]]:
    """Give the parameters of each node that a file names, with the name."""
    if isinstance(content, Mapping):
        for key, value in content.items():
            if key == PARAMETERS:
                yield name, value
            else:
                yield from _blocks(value, f'{name}/{str(key).strip("/")}')


def _fits(name: str, node: str) -> bool:
    """Tell whether a name, with wildcards, is that of a node in some namespace."""
    return name.rpartition('/')[2] in (node, *WILDCARDS)
