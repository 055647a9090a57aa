# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics parameters`: every parameter of every node."""

import json
from dataclasses import asdict

import click
from rich.console import Console
from rich.table import Table


@click.command(epilog='Example: leg-kinematics parameters --json')
@click.option('--json', 'as_json', is_flag=True, help='For a script to read.')
def parameters(*, as_json: bool) -> None:
    """List the parameters of the nodes with types, units and bounds."""
    # Imported here: --help shall not wait for ROS 2.
    from leg_kinematics.nodes.parameters import NODES  # noqa: PLC0415

    if as_json:
        listing = {node: [asdict(each) for each in declared] for node, declared in NODES.items()}
        click.echo(json.dumps(listing, indent=2))
        return
    console = Console()
    for node, declared in NODES.items():
        table = Table(title=node, title_justify='left')
        for heading in ('parameter', 'default', 'unit', 'bounds', 'meaning'):
            table.add_column(heading)
        for each in declared:
            bounds = ', '.join(each.choices)
            if each.lowest is not None:
                bounds = f'{each.lowest:g} ... {each.highest:g}'
            default = '' if each.default in ('', []) else str(each.default)
            table.add_row(each.name, default, each.unit, bounds, each.meaning)
        console.print(table)
