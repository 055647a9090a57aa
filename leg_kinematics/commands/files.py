# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Where the example files are, in a source tree and in every kind of installation."""

from pathlib import Path

ROOT = Path(__file__).parents[2]

#: ROOT is a source tree, or ``PREFIX/lib/pythonX.Y/site-packages``.
PLACES = (ROOT / 'config', ROOT / '../../../share/leg_kinematics/config')


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
