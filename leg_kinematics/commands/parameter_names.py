# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Names of nodes in a parameter file: ROS 2 passes over those that it does not know."""

from collections.abc import Iterator
from pathlib import Path

import yaml

from leg_kinematics.errors import DescriptionError
from leg_kinematics.nodes.chain_processes import NODES
from leg_kinematics.robot import did_you_mean
from leg_kinematics.robot.bounded_yaml import compose
from leg_kinematics.robot.text_file import read_text

PARAMETERS = 'ros__parameters'

WILDCARDS = ('*', '**')


def check_names(file: Path) -> None:
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
        if name in NODES or name in WILDCARDS:
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
