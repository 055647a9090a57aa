# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics parameters`: every parameter of every node."""

import json
from dataclasses import asdict

import click
from rich.console import Console
from rich.table import Table

from leg_kinematics.nodes.catalogue import NODES
from leg_kinematics.parameters import Parameter


@click.command(epilog='Example: leg-kinematics parameters --json')
@click.option('--json', 'as_json', is_flag=True, help='For a script to read.')
def parameters(*, as_json: bool) -> None:
    """List the parameters of the nodes with types, units and bounds."""
    if as_json:
        listing = {node: [_facts(each) for each in declared] for node, declared in NODES.items()}
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


def _facts(parameter: Parameter) -> dict[str, object]:
    """All that is declared of a parameter and is no function."""
    facts = asdict(parameter)
    del facts['read']
    return facts
