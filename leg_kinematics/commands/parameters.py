# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics parameters`: every parameter of every node."""

import json
from dataclasses import asdict

import click
from rich.console import Console

from leg_kinematics.commands.terminal.page import print_folded
from leg_kinematics.nodes.running.catalogue import NODES
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
        console.print(f'[bold]{node}[/]', highlight=False)
        names = max(len(each.name) for each in declared)
        for each in declared:
            print_folded(console, f'  {each.name:<{names}}  {_values(each)}')
            print_folded(console, each.meaning, 4)
        console.print()


def _values(parameter: Parameter) -> str:
    """Say what a parameter is by default, and what it may be."""
    if parameter.default in ('', []):
        default = 'must be set' if parameter.required else 'none'
    else:
        default = f'{parameter.default} {parameter.unit}'.rstrip()
    if parameter.choices:
        return f'{default}  ({" or ".join(parameter.choices)})'
    if parameter.lowest is not None:
        return f'{default}  ({parameter.lowest:g} to {parameter.highest:g})'
    return default


def _facts(parameter: Parameter) -> dict[str, object]:
    """All that is declared of a parameter and is no function."""
    facts = asdict(parameter)
    del facts['read']
    return facts
