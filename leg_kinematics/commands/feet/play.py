# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics play`: the steps of a file, once or over and over."""

from collections.abc import Sequence
from pathlib import Path

import click

from leg_kinematics.commands.feet.feet_command import (
    Request,
    ShowOptions,
    carry_out,
    show_options,
    typed_again,
)
from leg_kinematics.commands.options.chain_options import ChainOptions, chain_options
from leg_kinematics.commands.options.files import InputFile, WrongFileError
from leg_kinematics.errors import DescriptionError
from leg_kinematics.moves.places import Frame
from leg_kinematics.moves.plan import Plan, StepError
from leg_kinematics.moves.resuming import Plans, plan_again, plan_from, way_on
from leg_kinematics.moves.sequence import load_sequence
from leg_kinematics.moves.steps import Step


@click.command(
    epilog='Examples: leg-kinematics play config/sequences/nod.yaml --preview;  '
    'leg-kinematics play config/sequences/nod.yaml --loop'
)
@click.argument('file', type=InputFile())
@click.option('--loop', is_flag=True, help='Play it over and over, until it is stopped.')
@click.option(
    '--from',
    'first',
    type=click.IntRange(min=1),
    default=1,
    metavar='STEP',
    help='Begin with this step; repeats are written out for this count.  [default: 1]',
)
@click.option('--check', is_flag=True, help='Only see whether it can be done; move nothing.')
@chain_options
@show_options
def play(
    *,
    file: Path,
    loop: bool,
    first: int,
    check: bool,
    options: ChainOptions,
    show: ShowOptions,
) -> None:
    """Play a sequence of steps from a file.

    It joins the chain that runs in the namespace. Where none runs it starts one of its own for as
    long as it takes, on a mock board unless --board is given. All steps are solved before anything
    moves. Keys: space pauses and goes on, n plays one step, q stops, and so does Ctrl-C; the feet
    come to rest on their way then. What was interrupted, or did not follow for more than a second,
    goes on only by a key.

    Exit code 0 when done, 1 when refused or interrupted, 2 for a wrong command line or file.
    """
    try:
        sequence = load_sequence(file)
    except DescriptionError as error:
        raise WrongFileError(str(error)) from error

    def plan(plans: Plans, steps: Sequence[Step]) -> tuple[Plan, Plan | None]:
        try:
            start = plan_from(plans, steps, first - 1)
            return start, plan_again(plans, steps, start) if loop else None
        except StepError as error:
            raise sequence.error(error) from error

    def go_on(number: int) -> str:
        step = way_on(sequence.steps, number)
        if step is None:
            return ''
        return typed_again(str(file), '--from', str(step + 1), without=['first'])

    request = Request(lambda _: sequence.steps, plan, Frame.RESTING, go_on)
    carry_out(request, options, show, check=check)
