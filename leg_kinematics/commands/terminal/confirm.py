# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Asking a person before something that can move or drop a robot."""

import sys
from collections.abc import Callable
from typing import Any

import click


def yes_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the option that answers what `confirm` asks."""
    return click.option('--yes', is_flag=True, help='Go on without being asked.')(command)


def confirm(warning: str, question: str, *, yes: bool) -> None:
    """Show a warning on stderr, and return only when a person, or ``--yes``, wants to go on.

    Parameters
    ----------
    warning
        What may happen.
    question
        What is going to be done.
    yes
        Whether the option was given.

    Raises
    ------
    click.Abort
        The person does not want it.
    click.UsageError
        Nobody can be asked, for the input is no terminal; exit code 2.

    """
    click.echo(warning, err=True)
    if yes:
        return
    if not sys.stdin.isatty():
        raise click.UsageError(
            'nobody can be asked, since the input is no terminal; nothing was done. Whoever has '
            'read the warning above and takes care of it gives --yes'
        )
    click.confirm(question, abort=True, err=True)
