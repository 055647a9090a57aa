# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`leg-kinematics move`: feet go to places, in straight lines."""

from collections.abc import Sequence

import click

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.commands.feet.feet_command import (
    Request,
    ShowOptions,
    carry_out,
    show_options,
    typed_again,
)
from leg_kinematics.commands.options.chain_options import ChainOptions, chain_options
from leg_kinematics.errors import CommandError
from leg_kinematics.moves.place_text import read_place, read_quantity
from leg_kinematics.moves.places import Frame, Place
from leg_kinematics.moves.plan import Plan
from leg_kinematics.moves.resuming import Plans
from leg_kinematics.moves.steps import FeetStep, Haste, Step
from leg_kinematics.robot import did_you_mean

ALL = 'all'


@click.command(
    epilog='Examples: leg-kinematics move left_front x=40mm;  '
    'leg-kinematics move left_front,right_front z=30mm x=20mm,y=10mm z=0 --time 2s'
)
@click.argument('feet')
@click.argument('places', nargs=-1, required=True, metavar='PLACE...')
@click.option(
    '--frame',
    type=click.Choice([frame.value for frame in Frame]),
    default=Frame.RESTING.value,
    show_default=True,
    help='Of the coordinates. resting: from where the foot rests, x outwards, y left, z up; '
    'leg: from its mount; body: base_link.',
)
@click.option('--speed', help='Highest speed of the fastest foot, such as 60mm/s.')
@click.option('--time', help='Of each move, such as 2s; instead of --speed.')
@chain_options
@show_options
def move(
    *,
    feet: str,
    places: tuple[str, ...],
    frame: str,
    speed: str | None,
    time: str | None,
    options: ChainOptions,
    show: ShowOptions,
) -> None:
    """Move feet to places in straight lines, one place after another.

    FEET is a leg, several joined by commas, or `all`. A PLACE is one argument, such as x=40mm or
    x=40mm,z=-20mm; a coordinate that is not given stays as it is. It joins the chain that runs in
    the namespace. Where none runs it starts one of its own for as long as it takes, on a mock board
    unless --board is given. All of it is solved before anything moves; feet start and stop gently.

    Exit code 0 when done, 1 when refused or interrupted, 2 for a wrong command line or file.
    """
    named = feet.split(',')
    if twice := [name for name in named if named.count(name) > 1]:
        raise click.UsageError(f'{twice[0]} is given twice in {feet}')
    if speed is not None and time is not None:
        raise click.BadParameter('give either --speed or --time', param_hint='--time')
    try:
        goals = [read_place(text, Frame(frame)) for text in places]
        haste = _haste(speed, time)
    except CommandError as error:
        raise click.UsageError(str(error)) from error

    def steps_for(calibrated: CalibratedRobot) -> Sequence[Step]:
        return _steps(_names(feet, calibrated), goals, haste)

    def plan(plans: Plans, steps: Sequence[Step]) -> tuple[Plan, Plan | None]:
        return plans(steps, None), None

    def go_on(number: int) -> str:
        return typed_again(feet, *places[number:])

    carry_out(Request(steps_for, plan, Frame(frame), go_on), options, show)


def _haste(speed: str | None, time: str | None) -> Haste:
    if time is not None:
        return Haste(time=read_quantity(time, 'move_time', '--time'))
    if speed is not None:
        return Haste(speed=read_quantity(speed, 'foot_speed', '--speed'))
    return Haste()


def _names(feet: str, calibrated: CalibratedRobot) -> Sequence[str]:
    """Give the legs that are meant, or refuse what is none."""
    robot, maps = calibrated.robot, calibrated.maps
    if feet == ALL:
        return robot.leg_names
    names = [name.strip() for name in feet.split(',')]
    for name in names:
        if name in maps.not_wired:
            raise click.UsageError(
                f'{name} is not wired, by {maps.document.file}; the legs that can be moved are '
                f'{", ".join(robot.leg_names)}'
            )
        if name not in robot.leg_names:
            raise click.UsageError(
                f'{robot.name} has no leg {name!r}{did_you_mean(name, robot.leg_names)}; its legs '
                f'are {", ".join(robot.leg_names)}, and `all` means all of them'
            )
    return names


def _steps(names: Sequence[str], goals: Sequence[Place], haste: Haste) -> Sequence[Step]:
    return [FeetStep(dict.fromkeys(names, goal), haste) for goal in goals]
