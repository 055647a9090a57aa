# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Files that commands read and write: where the examples are, and what is said of wrong ones."""

from collections.abc import Callable
from os import PathLike, fsdecode
from pathlib import Path
from typing import TypeVar

import click

from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.gait import GaitParameters
from leg_kinematics.nodes.running.parameter_file import read_gait_parameters
from leg_kinematics.robot.near import did_you_mean_file

T = TypeVar('T')

ROOT = Path(__file__).parents[3]

#: ROOT is a source tree, or ``PREFIX/lib/pythonX.Y/site-packages``.
PLACES = (ROOT / 'config', ROOT / '../../../share/leg_kinematics/config')


class WrongFileError(click.ClickException):
    """A file that a person wrote is wrong; exit code 2, as for a wrong option."""

    exit_code = 2


class InputFile(click.Path):
    """A file that is there; of one that is not, a near name is told."""

    def __init__(self) -> None:
        super().__init__(exists=True, dir_okay=False, path_type=Path)

    def convert(
        self,
        value: str | PathLike[str],
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> Path:
        """Return the path, or say what is wrong with it."""
        try:
            return Path(fsdecode(super().convert(value, param, ctx)))
        except click.BadParameter as error:
            near = did_you_mean_file(Path(value)) or '.'
            self.fail(error.message.rstrip('.') + near, param, ctx)


def loaded(load: Callable[[], T]) -> T:
    """Read a file; of a wrong one, exit code 2."""
    try:
        return load()
    except LegKinematicsError as error:
        raise WrongFileError(str(error)) from error


def make_output_folder(folder: Path) -> None:
    """Make the folder that the option --output names.

    Raises
    ------
    click.BadParameter
        It cannot be made.

    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise click.BadParameter(
            f'folder {folder} cannot be made: {error.strerror}; name another one',
            param_hint='--output',
        ) from error


def config_folder() -> Path:
    """Folder of the example configuration.

    Raises
    ------
    FileNotFoundError
        The installation has none.

    """
    for folder in PLACES:
        if (folder / 'robots').is_dir():
            return folder
    raise FileNotFoundError(
        f'no example configuration in {" or ".join(map(str, PLACES))}; install the package again'
    )


def gait_parameters_of(params_file: Path | None) -> GaitParameters:
    """Read how the gait shall walk; without a file, as it walks by default.

    Raises
    ------
    LegKinematicsError
        The file is wrong; the message names it.

    """
    return GaitParameters() if params_file is None else read_gait_parameters(params_file)
