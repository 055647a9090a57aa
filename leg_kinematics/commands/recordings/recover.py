# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics recover`: what can be proved of a recording that was cut off or damaged."""

import json
import sys
from pathlib import Path

import click

from leg_kinematics.commands.options.files import WrongFileError
from leg_kinematics.commands.recordings.bag_options import bag_argument
from leg_kinematics.errors import LegKinematicsError


@click.command(
    epilog='Examples: leg-kinematics recover recording_20261130_101500;  '
    'leg-kinematics recover recording_20261130_101500/recording_20261130_101500_0.mcap'
)
@bag_argument
@click.option(
    '--output',
    type=click.Path(path_type=Path),
    help='Folder of the mended recording; must not be there yet. Default: beside BAG, with '
    '_recovered behind its name.',
)
@click.option('--json', 'as_json', is_flag=True, help='Print the result as JSON.')
def recover(*, bag: Path, output: Path | None, as_json: bool) -> None:
    """Mend a recording, and prove the result by reading it back.

    BAG is the folder of a recording or one of its files, and stays as it is. Every message is kept
    that its checksum proves; what is lost is told with its place.

    Exit codes: 0 kept all that was handed to the disk, or only the end is missing; 1 something in
    between is lost; 2 nothing could be kept, or it could not be written.
    """
    bag = bag.absolute()
    folder = output or bag.with_name(f'{bag.stem}_recovered')
    try:
        # Imported here: --help shall not wait for it.
        from leg_kinematics.recording.bag.recovery import recover as mend  # noqa: PLC0415

        found = mend(bag, folder)
    except LegKinematicsError as error:
        raise WrongFileError(str(error)) from error
    if as_json:
        result = {
            'folder': str(found.folder),
            'messages': found.messages,
            'seconds': found.seconds,
            'damages': list(found.damages),
            'messages_without_definition': found.unnamed,
        }
        click.echo(json.dumps(result, indent=2))
    else:
        for damage in found.damages:
            click.echo(damage)
        if found.unnamed:
            click.echo(f'{found.unnamed} messages lack their definition, and were left out.')
        click.echo(
            f'{found.folder}: {sum(found.messages.values())} messages of {len(found.messages)} '
            f'topics, {found.seconds:.2f} s, read back and compared.'
        )
    sys.exit(0 if found.only_the_end else 1)
