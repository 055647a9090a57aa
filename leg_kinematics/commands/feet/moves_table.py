# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What is planned, and why it is cut into sub-moves, as tables that fit any terminal."""

from collections.abc import Mapping, Sequence
from math import degrees

from rich.console import Console
from rich.table import Table

from leg_kinematics.commands.terminal.page import print_folded
from leg_kinematics.moves.explain import ExplainedLine, Way, alike, effort
from leg_kinematics.moves.plan import Plan
from leg_kinematics.moves.words import step_in_words
from leg_kinematics.robot import SEGMENTS
from leg_kinematics.solver import LegSolver

PLAN_CAPTION = (
    'mm: the longest way of a foot, as seen from the body. asked: what was asked for; where the '
    'servos need longer, takes is more. sub: joint moves that hold the feet to their straight '
    'lines. Busiest is the joint that comes closest to the speed that it may have.'
)

#: Headings of the columns that are not numbers.
WORDS = ('what', 'way')

LINES_CAPTION = (
    'off: the farthest that the foot is from its straight line; at: how far along the line that '
    'is. By themselves: each servo, told its last pulse at once, runs at its no-load speed until '
    'it is there. Together: every joint turns at a steady speed, and all arrive at the same time. '
    'Loads and dead bands are not in these numbers.'
)


def print_plan(
    console: Console, plan: Plan, legs: Sequence[LegSolver], speeds: Mapping[str, float]
) -> None:
    """Print a plan move by move.

    Parameters
    ----------
    console
        Where to.
    plan
        What would be done.
    legs, speeds
        Those that it was planned with.

    """
    table = _table('step', 'what', 'mm', 'asked s', 'takes s', 'sub')
    before = None
    for move in plan.moves:
        asks = effort(move, legs, speeds)
        said = [] if move.number == before else [step_in_words(move.step)]
        if asks.joint is not None:
            said.append(f'busiest: {asks.joint}, {asks.share:.0%}')
        table.add_row(
            '' if move.number == before else f'{move.number + 1}',
            '\n'.join(said),
            f'{asks.way * 1e3:.1f}',
            f'{move.wanted:.2f}',
            f'{move.duration:.2f}',
            f'{move.sub_moves}' if move.sub_moves else '',
        )
        before = move.number
    console.print(table)
    console.print()
    print_folded(console, PLAN_CAPTION)


def print_explanation(console: Console, lines: Sequence[ExplainedLine]) -> None:
    """Print where feet would go without sub-moves; legs that are alike once.

    Parameters
    ----------
    console
        Where to.
    lines
        From `explain`.

    """
    for group in alike(lines):
        line = group[0]
        names = ', '.join(each.leg.name for each in group)
        heading = f'step {line.number + 1}: {names}, {line.length * 1e3:.1f} mm in a straight line'
        print_folded(console, heading)
        table = _table('way', 'off mm', 'at mm', 'time s', 'deg/s', 'sub')
        for name, way, sub_moves in (
            ('in sub-moves', line.ours, line.sub_moves),
            ('together', line.together, 1),
            ('by themselves', line.alone, 1),
        ):
            table.add_row(name, *_numbers(way), f'{sub_moves}')
        console.print(table)
        console.print()
    print_folded(console, LINES_CAPTION)


def _table(*headings: str) -> Table:
    """Begin a table whose words give way and fold, while its numbers stay whole."""
    table = Table(box=None, padding=(0, 1, 0, 0), header_style='bold')
    for heading in headings:
        if heading in WORDS:
            table.add_column(heading, overflow='fold')
        else:
            table.add_column(heading, justify='right', no_wrap=True)
    return table


def _numbers(way: Way) -> tuple[str, str, str, str]:
    fastest = max(range(len(SEGMENTS)), key=lambda joint: way.speeds[joint])
    return (
        f'{way.deviation * 1e3:.2f}',
        f'{way.along[way.worst] * 1e3:.1f}',
        f'{way.duration:.2f}',
        f'{degrees(way.speeds[fastest]):.0f} {SEGMENTS[fastest]}',
    )
