# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whether somebody is there to answer questions."""

import sys

import click
from rich.console import Console


def see_that_somebody_is_there(console: Console) -> None:
    """Refuse to ask questions where nobody could answer them.

    Raises
    ------
    click.UsageError
        Input or output is no terminal; exit code 2.

    """
    if not (sys.stdin.isatty() and console.is_terminal):
        raise click.UsageError(
            'the questions need a terminal, and input or output is none; in a script use --refit, '
            'which works everything out again from a file of readings'
        )
