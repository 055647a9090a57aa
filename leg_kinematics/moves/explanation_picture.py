# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A picture of why straight lines are cut into sub-moves."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import degrees
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure, SubFigure

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.moves.explain import ExplainedLine, Way, alike
from leg_kinematics.moves.places import LegFrames
from leg_kinematics.moves.views import MM, leg_views, view_axes, write_legend
from leg_kinematics.robot import SEGMENTS

#: Lines that a picture explains: those that need it most.
MOST_LINES = 3


@dataclass(frozen=True)
class _Kind:
    """One way to get to the end of a line, and how it is drawn."""

    name: str
    way: Callable[[ExplainedLine], Way]
    colour: str
    style: str
    width: float


#: The worst first, so that ours lies on top. The colours are of Okabe and Ito,
#: Color Universal Design, 2008 (from memory).
KINDS = (
    _Kind('each servo by itself', lambda line: line.alone, '#d55e00', ':', 4),
    _Kind('joints evenly, together', lambda line: line.together, '#e69f00', '--', 2.5),
    _Kind('in sub-moves, as planned', lambda line: line.ours, '#0072b2', '-', 1.8),
)

ASSUMPTIONS = (
    'Each servo by itself: told its last pulse at once, it runs at its no-load speed until it is '
    'there. Joints evenly, together: every joint turns at a steady speed, and all arrive at the '
    'same time.\nLoads and dead bands are not in these numbers.'
)

HEADINGS = (
    'way of the foot',
    'farthest off\nthe line (mm)',
    'there, along\nthe line (mm)',
    'time\n(s)',
    'fastest joint\n(deg/s)',
    'sub-moves',
)


def draw_explanation(lines: Sequence[ExplainedLine], robot: CalibratedRobot, file: Path) -> None:
    """Write the picture of lines that are explained.

    Parameters
    ----------
    lines, robot
        As for `explanation`.
    file
        Where the picture goes, a PNG.

    """
    mpl.use('Agg')
    figure = explanation(lines, robot)
    figure.savefig(file, dpi=100)
    plt.close(figure)


def explanation(lines: Sequence[ExplainedLine], robot: CalibratedRobot) -> Figure:
    """Draw the lines that feet would leave the farthest, with the ways that they could take.

    Lines that are alike are drawn once.

    Parameters
    ----------
    lines
        One or more, from `explain`.
    robot
        Of which they are.

    """
    groups = sorted(
        alike(lines), key=lambda group: max(group[0].alone.deviation, group[0].together.deviation)
    )[-MOST_LINES:]
    groups.sort(key=lambda group: group[0].number)
    figure = plt.figure(figsize=(15, 0.9 + 5.6 * len(groups)), layout='constrained')
    grid = figure.add_gridspec(len(groups), 1)
    frames = LegFrames(robot.robot)
    for row, group in enumerate(groups):
        part = figure.add_subfigure(grid[row, 0])
        _draw_line(part, group, frames)
    count = len(alike(lines))
    which = (
        '' if count == len(groups) else f': the {len(groups)} of {count} lines that need it most'
    )
    figure.suptitle(f'{robot.robot.name}: why straight lines are cut into sub-moves{which}')
    figure.supxlabel(ASSUMPTIONS, fontsize=9)
    return figure


def _draw_line(figure: SubFigure, group: Sequence[ExplainedLine], frames: LegFrames) -> None:
    line = group[0]
    names = ', '.join(each.leg.name.replace('_', ' ') for each in group)
    alike_said = ' (alike, the first is drawn)' if len(group) > 1 else ''
    figure.suptitle(
        f'Step {line.number + 1}: {names}, {MM * line.length:.1f} mm in a straight line{alike_said}'
    )
    grid = figure.add_gridspec(2, 2, width_ratios=(1.9, 1.0), height_ratios=(1.0, 0.34))
    views = leg_views(frames, line.leg)
    points = np.vstack([(line.start, line.goal), *(kind.way(line).feet for kind in KINDS)])
    row = view_axes(figure, views, points, grid[0, 0])
    for axes, view in zip(row, views, strict=True):
        ends = view.of(np.array((line.start, line.goal)))
        axes.plot(*ends.T, color='0.75', linewidth=6, label='the straight line')
        for kind in KINDS:
            axes.plot(
                *view.of(kind.way(line).feet).T,
                color=kind.colour,
                linestyle=kind.style,
                linewidth=kind.width,
                label=kind.name,
            )
        axes.plot(*ends[0], 'o', color='black', markersize=7, label='from here')
        axes.plot(*ends[1], 's', color='black', markersize=7, label='to here')
    right = grid[0, 1].subgridspec(2, 1)
    whole = figure.add_subplot(right[0, 0])
    close = figure.add_subplot(right[1, 0], sharex=whole)
    for axes in (whole, close):
        for kind in KINDS:
            way = kind.way(line)
            axes.plot(MM * way.along, MM * way.off, color=kind.colour, ls=kind.style, lw=kind.width)
        axes.grid(alpha=0.3)
        axes.set_ylabel('off the line (mm)')
    whole.set_title('how far the foot is from its line')
    whole.set_ylim(bottom=0.0)
    close.axhline(MM * line.tolerance, color='tab:red', linestyle='--', linewidth=1)
    close.annotate(
        f'tolerance {MM * line.tolerance:g} mm',
        (0.5, MM * line.tolerance),
        xycoords=('axes fraction', 'data'),
        xytext=(0, 3),
        textcoords='offset points',
        ha='center',
        color='tab:red',
    )
    close.set(
        title='the same, close to the line',
        xlabel='along the line (mm)',
        ylim=(0.0, 1.6 * MM * line.tolerance),
    )
    _write_numbers(figure.add_subplot(grid[1, 0]), line)
    write_legend(figure.add_subplot(grid[1, 1]), row[0], 2)


def _write_numbers(axes: Axes, line: ExplainedLine) -> None:
    """Write the numbers of every way as a table."""
    axes.axis('off')
    cells = []
    for kind in reversed(KINDS):
        way = kind.way(line)
        fastest = int(np.argmax(way.speeds))
        cells.append(
            (
                kind.name,
                f'{MM * way.deviation:.2f}',
                f'{MM * way.along[way.worst]:.1f}',
                f'{way.duration:.2f}',
                f'{degrees(way.speeds[fastest]):.0f}, {SEGMENTS[fastest]}',
                f'{line.sub_moves}' if way is line.ours else '1',
            )
        )
    table = axes.table(
        cells,
        colLabels=HEADINGS,
        colWidths=(0.29, 0.16, 0.16, 0.08, 0.18, 0.13),
        cellLoc='right',
        loc='center',
    )
    table.auto_set_font_size(value=False)
    table.set_fontsize(9)
    for (row, column), cell in table.get_celld().items():
        cell.set_height(0.3 if row == 0 else 0.2)
        cell.set_edgecolor('0.8')
        if column == 0:
            cell.set_text_props(ha='left')
