# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What `move` and `play` do alike: plan, show, play, and say where the feet are by the pulses."""

import json
import shlex
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import wraps
from math import dist
from pathlib import Path
from typing import Any

import click
from click.core import ParameterSource
from rich.console import Console

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.commands.feet.moves_table import print_explanation, print_plan
from leg_kinematics.commands.options.chain_options import ChainOptions
from leg_kinematics.commands.options.files import make_output_folder
from leg_kinematics.commands.terminal.page import print_folded
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.moves.explain import explain
from leg_kinematics.moves.moving import Moving
from leg_kinematics.moves.paths import Feet
from leg_kinematics.moves.places import Frame, LegFrames
from leg_kinematics.moves.plan import ROUNDING, Plan
from leg_kinematics.moves.playing import PlayState
from leg_kinematics.moves.resuming import Plans
from leg_kinematics.moves.steps import Step
from leg_kinematics.moves.words import step_in_words
from leg_kinematics.robot import SEGMENTS


@dataclass(frozen=True)
class ShowOptions:
    """What is shown, and whether that is all.

    Attributes
    ----------
    preview, explain
        Whether a picture, or an explanation, is wanted instead of a move.
    output
        Folder of the pictures.
    as_json
        Whether a script reads the answer.

    """

    preview: bool
    explain: bool
    output: Path
    as_json: bool


def show_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options, as one argument `show`."""

    @click.option('--preview', is_flag=True, help='Draw what would be done; move nothing.')
    @click.option(
        '--explain',
        is_flag=True,
        help='Show where the feet would go if each servo simply ran to its end; move nothing.',
    )
    @click.option(
        '--output',
        type=click.Path(file_okay=False, writable=True, path_type=Path),
        default=Path('move-output'),
        show_default=True,
        help='Folder for the pictures of --preview and --explain.',
    )
    @click.option('--json', 'as_json', is_flag=True, help='Print the answer for a script to read.')
    @wraps(command)
    def with_options(
        *,
        preview: bool,
        explain: bool,
        output: Path,
        as_json: bool,
        **others: Any,  # noqa: ANN401
    ) -> Any:  # noqa: ANN401
        show = ShowOptions(preview=preview, explain=explain, output=output, as_json=as_json)
        return command(show=show, **others)

    return with_options


@dataclass(frozen=True)
class Request:
    """What somebody asks for.

    Attributes
    ----------
    steps_for
        Gives the steps for a robot.
    plan
        Plans them by a planner, and what is played over and over after that.
    frame
        In which the places of feet are told.
    go_on
        Gives the command that goes on from a step, by its number from 0; empty for none.

    """

    steps_for: Callable[[CalibratedRobot], Sequence[Step]]
    plan: Callable[[Plans, Sequence[Step]], tuple[Plan, Plan | None]]
    frame: Frame
    go_on: Callable[[int], str]


def carry_out(
    request: Request, options: ChainOptions, show: ShowOptions, *, check: bool = False
) -> None:
    """Do what somebody asks for, or show it, or only check it; ends the command with its exit code.

    It is 0 when all was done, and 1 when it was refused or interrupted.
    """
    # Imported here: --help shall not wait for ROS 2.
    from leg_kinematics.commands.feet.feet_session import FeetSession  # noqa: PLC0415

    console = Console(stderr=show.as_json)
    session = FeetSession(options, console)
    try:
        with session:
            print_folded(console, session.where)
            steps = request.steps_for(session.calibrated)
            if check or show.preview or show.explain:
                plan, _ = session.draft(lambda plans: request.plan(plans, steps))
                _tell_plan(plan, session.stage, console)
                answer = _shown(plan, session.stage, show, console)
            else:
                answer = _played(session, request, steps, console)
    except (LegKinematicsError, KeyboardInterrupt) as error:
        reason = 'interrupted by Ctrl-C' if isinstance(error, KeyboardInterrupt) else str(error)
        state = 'broken off' if session.began else 'refused'
        words = 'Broken off' if session.began else 'Refused, and nothing was moved'
        answer = {'state': state, 'reason': reason}
        print_folded(console, f'{words}: {reason}', style='red')
        if options.boards or session.began:
            print_folded(
                console,
                'Servos that have their power keep it, unless their board does '
                'otherwise by itself: the switch of the battery ends the pulses.',
            )
    if show.as_json:
        click.echo(json.dumps(answer, indent=2))
    sys.exit(0 if answer['state'] in {'finished', 'shown'} else 1)


def _tell_plan(plan: Plan, stage: Moving, console: Console) -> None:
    print_plan(console, plan, stage.calibrated.legs, stage.speeds)
    for caution in plan.cautions:
        print_folded(console, f'Caution: {caution}', style='yellow')


def _shown(plan: Plan, stage: Moving, show: ShowOptions, console: Console) -> dict[str, Any]:
    """Draw and explain a plan."""
    # Imported here: nothing else draws.
    from leg_kinematics.moves.explanation_picture import draw_explanation  # noqa: PLC0415
    from leg_kinematics.moves.preview_picture import draw_preview  # noqa: PLC0415

    if show.preview or show.explain:
        make_output_folder(show.output)
    pictures = []
    if show.preview:
        pictures.append(show.output / 'preview.png')
        draw_preview(plan, stage.calibrated, pictures[-1])
    if show.explain:
        lines = explain(
            plan,
            stage.calibrated.robot,
            stage.calibrated.legs,
            tolerance=stage.tolerance,
            speeds=stage.speeds,
        )
        print_explanation(console, lines)
        if lines:
            pictures.append(show.output / 'explanation.png')
            draw_explanation(lines, stage.calibrated, pictures[-1])
    words = f'It can be done, in {plan.duration:.1f} s. Nothing was moved.'
    if pictures:
        words += f' Pictures: {", ".join(map(str, pictures))}.'
    print_folded(console, words)
    return {
        'state': 'shown',
        'reason': '',
        'plan': list(_moves(plan)),
        'pictures': [str(picture) for picture in pictures],
    }


def _played(
    session: 'FeetSession',  # type: ignore[name-defined]  # noqa: F821
    request: Request,
    steps: Sequence[Step],
    console: Console,
) -> dict[str, Any]:
    from leg_kinematics.commands.feet.playback import Playback  # noqa: PLC0415

    mover, plan, again = session.prepare(lambda plans: request.plan(plans, steps))
    _tell_plan(plan, mover.stage, console)
    playing = mover.begin(plan, again)
    state = Playback(
        mover, playing, lambda number: step_in_words(steps[number]), len(steps), console
    ).run()
    number = None if playing.move is None else playing.move.number
    go_on = ''
    if state is PlayState.FINISHED:
        print_folded(console, f'Done: {len(plan.moves)} moves in {plan.duration:.1f} s.')
    elif state is not PlayState.READY and number is not None:
        place = f'step {number + 1} of {len(steps)}'
        print_folded(console, f'{state} in {place}: {playing.reason}.', style='yellow')
        go_on = request.go_on(number) if session.outlasts else ''
        if go_on:
            print_folded(console, f'To go on from here: {go_on}')
    goal = plan.end if state is PlayState.FINISHED else None
    feet = _tell_feet(mover.stage, request.frame, _moving(plan, again), goal, console)
    end = session.leave()
    print_folded(console, end)
    return {
        'state': str(state),
        'reason': playing.reason,
        'plan': list(_moves(plan)),
        'duration_s': plan.duration,
        'step': None if number is None else number + 1,
        'go_on': go_on,
        'frame': str(request.frame),
        'feet': feet,
        'end': end,
    }


def _moves(plan: Plan) -> Iterator[dict[str, Any]]:
    for move in plan.moves:
        yield {
            'step': move.number + 1,
            'what': step_in_words(move.step),
            'where': move.step.where,
            'asked_s': move.wanted,
            'takes_s': move.duration,
            'sub_moves': move.sub_moves,
        }


def _moving(*plans: Plan | None) -> list[int]:
    """Legs whose feet are somewhere else in the course of plans, as seen from the body."""
    moves = [move for plan in plans if plan is not None for move in plan.moves]
    feet = [(move.path.feet(0.0), move.path.feet(0.5), move.path.feet(1.0)) for move in moves]
    return sorted(
        {
            leg
            for start, half, end in feet
            for leg, foot in enumerate(start)
            if max(dist(foot, half[leg]), dist(foot, end[leg])) > ROUNDING
        }
    )


def _tell_feet(
    stage: Moving,
    frame: Frame,
    concerned: Sequence[int],
    goal: Feet | None,
    console: Console,
) -> dict[str, Any]:
    """Say where feet are by the pulses."""
    robot, frames = stage.calibrated.robot, LegFrames(stage.calibrated.robot)
    feet, pulses = stage.feet_by_pulses, stage.pulses_us
    told = {}
    for leg in concerned:
        name = robot.leg_names[leg]
        place = frames.coordinates(name, frame, feet[leg])
        own = pulses[3 * leg : 3 * leg + 3]
        x, y, z = (round(1e3 * each, 2) + 0.0 for each in place)
        words = f'{name} is at x {x:.2f}, y {y:.2f}, z {z:.2f} mm ({frame})'
        if goal is not None:
            words += f', {dist(feet[leg], goal[leg]) * 1e3:.2f} mm from its goal'
        by = ', '.join(f'{joint} {pulse:.1f}' for joint, pulse in zip(SEGMENTS, own, strict=True))
        print_folded(console, f'{words}; by the pulses {by} us.')
        told[name] = {
            **dict(zip(('x_m', 'y_m', 'z_m'), place, strict=True)),
            'pulses_us': dict(zip(SEGMENTS, own, strict=True)),
        }
    return told


def typed_again(*arguments: str, without: Sequence[str] = ()) -> str:
    """Write the command that runs now with other arguments, and the options that were typed."""
    context = click.get_current_context()
    words = [*context.command_path.split(), *arguments]
    for parameter in context.command.params:
        name = parameter.name or ''
        typed = context.get_parameter_source(name) is ParameterSource.COMMANDLINE
        if not (isinstance(parameter, click.Option) and typed) or name in without:
            continue
        value = context.params[name]
        if parameter.is_flag:
            words.append(parameter.opts[0])
        else:
            for each in value if parameter.multiple else (value,):
                words += [parameter.opts[0], str(each)]
    return shlex.join(words)
