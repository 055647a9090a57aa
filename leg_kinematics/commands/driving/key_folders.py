# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics keys`: who may drive which robots from another machine."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import click

from leg_kinematics.commands.options.files import WrongFileError
from leg_kinematics.errors import CommandError, DescriptionError
from leg_kinematics.remote.authority import AUTHORITY_KEY, Authority
from leg_kinematics.remote.keys import REGISTER, Role

T = TypeVar('T')

folder_option = click.option(
    '--folder',
    type=click.Path(file_okay=False, path_type=Path),
    default=Path('keys'),
    show_default=True,
    help='In which the keys are made. It stays on one computer.',
)


@click.group(
    epilog='Example: leg-kinematics keys make;  leg-kinematics keys robot bracken;  '
    'leg-kinematics keys driver anna'
)
def keys() -> None:
    """Make, list and revoke the keys of robots and drivers.

    Each robot and each driver has a folder with a key of its own, which is copied to its machine,
    and nowhere else. All folders hold the register, which lists the keys that count: copy it to
    every robot again when it has changed. All drivers of a register may drive all of its robots.

    Exit code 0; 1 where a name is none, taken or unknown, or cryptography is not installed; 2 for a
    wrong folder or option.
    """


@keys.command(epilog='Example: leg-kinematics keys make --folder keys')
@folder_option
def make(*, folder: Path) -> None:
    """Begin with an empty folder, for the keys of all robots and drivers."""
    _said(lambda: Authority.make(folder))
    click.echo(
        f'{folder} can make keys now. Whoever has {folder / AUTHORITY_KEY} can make some, too: '
        'keep the folder on this computer.'
    )


@keys.command(epilog='Example: leg-kinematics keys robot bracken')
@click.argument('name')
@folder_option
def robot(*, name: str, folder: Path) -> None:
    """Make the key of a robot."""
    made = _said(lambda: Authority(folder).issue(Role.ROBOT, name))
    click.echo(
        f'Copy {made} to the robot, for leg-kinematics run --key. Copy '
        f'{folder / REGISTER} into the folders of all drivers who shall drive it.'
    )


@keys.command(epilog='Example: leg-kinematics keys driver anna')
@click.argument('name')
@folder_option
def driver(*, name: str, folder: Path) -> None:
    """Make the key of a driver."""
    made = _said(lambda: Authority(folder).issue(Role.DRIVER, name))
    click.echo(
        f'Copy {made} to the computer of {name}, for leg-kinematics drive --key. Copy '
        f'{folder / REGISTER} into the folders of all robots: before that none lets {name} drive.'
    )


@keys.command(epilog='Example: leg-kinematics keys revoke anna')
@click.argument('name')
@folder_option
def revoke(*, name: str, folder: Path) -> None:
    """Have a key count no more, such as that of a computer that was lost."""
    identity = _said(lambda: Authority(folder).revoke(name))
    click.echo(
        f'{identity} is off the register. IT STILL COUNTS on each machine until you have copied '
        f'{folder / REGISTER} there; a robot that runs takes it within 2 s.'
    )


@keys.command('list', epilog='Example: leg-kinematics keys list --json')
@folder_option
@click.option('--json', 'as_json', is_flag=True, help='For a script to read.')
def list_keys(*, folder: Path, as_json: bool) -> None:
    """List the keys that count."""
    register = _said(lambda: Authority(folder).register)
    if as_json:
        click.echo(json.dumps({f'{role}s': dict(register.of(role)) for role in Role}, indent=2))
        return
    for role in Role:
        for name, identity in register.of(role).items():
            click.echo(f'{role:<7} {name:<31} {identity}')


def _said(do: Callable[[], T]) -> T:
    """Do something with keys; say what is wrong with them."""
    try:
        return do()
    except DescriptionError as error:
        raise WrongFileError(str(error)) from error
    except CommandError as error:
        raise click.ClickException(str(error)) from error
