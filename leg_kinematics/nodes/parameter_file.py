# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The parameters of the gait in a ROS 2 parameter file, without a node."""

import re
from collections.abc import Iterator, Mapping
from pathlib import Path

import yaml

from leg_kinematics.errors import CommandError, DescriptionError
from leg_kinematics.gait import GaitParameters
from leg_kinematics.nodes.catalogue import GAIT, OF_ROS
from leg_kinematics.parameters import Settings, validate
from leg_kinematics.robot.bounded_yaml import compose
from leg_kinematics.robot.text_file import read_text

#: Below it stand the parameters of the node whose name leads to it.
PARAMETERS = 'ros__parameters'

#: Of the namespace of the node nothing is known, so that any will do.
NODE = 'gait'

#: Parameters that name files and have no default.
FILES = ('robot', 'servo_maps')


class _Loader(yaml.SafeLoader):
    """Takes numbers such as 1e-3 for numbers, as ROS 2 does, and PyYAML does not."""


_Loader.add_implicit_resolver(
    'tag:yaml.org,2002:float', re.compile(r'[-+]?\d+(\.\d*)?[eE][-+]?\d+'), list('-+0123456789')
)


def read_gait_parameters(file: Path) -> GaitParameters:
    """Read how to walk, as a gait node that is started with this file would.

    Parameters
    ----------
    file
        As it follows `--params-file`: names of nodes, with wildcards (design.ros2.org, "ROS 2
        Parameter File"); where several fit, later ones in the file replace earlier ones.

    Raises
    ------
    DescriptionError
        It cannot be read, is no parameter file, or a value in it is wrong.

    """
    text = read_text(file)
    compose(text, file)
    content = yaml.load(text, _Loader)  # noqa: S506  a safe loader
    values: dict[str, object] = {}
    blocks = list(_blocks(content, ''))
    if not blocks:
        raise DescriptionError(
            f"no ROS 2 parameter file: there is no '{PARAMETERS}'; expected such as\n"
            f'/**/{NODE}:\n  {PARAMETERS}:\n    swing_time: 0.5',
            file=file,
        )
    for name, block in blocks:
        if not isinstance(block, Mapping):
            raise DescriptionError(f"'{PARAMETERS}' of {name} must be a mapping", file=file)
        if _fits(name):
            values |= {key: value for key, value in block.items() if key not in OF_ROS}
    # The files are those that the command names.
    given = values | dict.fromkeys(FILES, str(file))
    try:
        parameters = Settings(validate(GAIT, given)).of(GaitParameters)
        parameters.check()
    except CommandError as error:
        raise DescriptionError(str(error), file=file) from error
    return parameters


def _blocks(content: object, name: str) -> Iterator[tuple[str, object]]:
    """Give the parameters of each node that a file names, with the name."""
    if isinstance(content, Mapping):
        for key, value in content.items():
            if key == PARAMETERS:
                yield name, value
            else:
                yield from _blocks(value, f'{name}/{str(key).strip("/")}')


def _fits(name: str) -> bool:
    """Tell whether a name, with wildcards, is that of the gait node in some namespace."""
    last = name.rpartition('/')[2]
    return last in {NODE, '*', '**'}
