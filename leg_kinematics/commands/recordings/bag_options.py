# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What the commands that read recordings have in common: which one, and of which chain."""

from pathlib import Path

import click

from leg_kinematics.commands.options.chain_options import optional_namespace_of

bag_argument = click.argument('bag', type=click.Path(exists=True, path_type=Path))

recorded_chain_option = click.option(
    '--namespace',
    callback=optional_namespace_of,
    help='Of the chain, where several were recorded.',
)
