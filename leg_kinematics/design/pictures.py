# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Pictures of what was checked."""

from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from leg_kinematics.design.lines import DrawnLine
from leg_kinematics.design.load import WALKING, walking_shares
from leg_kinematics.design.report import Report
from leg_kinematics.design.robot_picture import draw_robot
from leg_kinematics.design.steady_walk import HEADINGS, SteadyWalk
from leg_kinematics.errors import BalanceError, LegKinematicsError
from leg_kinematics.robot import SEGMENTS, Robot
from leg_kinematics.solver import (
    LegSolver,
    Section,
    common_ground,
    joint_points,
    level_section,
    side_section,
)

Array = NDArray[np.float64]

#: A stretched leg takes so many cells of a grid, whatever its length.
CELLS = 100

MM = 1e3


def draw(robot: Robot, report: Report, folder: Path) -> list[Path]:
    """Write the pictures there is something to see on, and return their paths.

    Pictures of an earlier design are removed.
    """
    mpl.use('Agg')
    walks = tuple(walk for walk in report.walks if walk.duty_factor == report.walks[0].duty_factor)
    pictures = {
        'robot.png': draw_robot(robot, report.legs, report.doubts),
        'reach.png': _draw_reach(robot, report.legs, walks),
    }
    spacing = max(leg.geometry.stretched for leg in report.legs) / CELLS
    ground = common_ground(report.legs, robot.standing.feet, robot.standing.height, spacing)
    if ground.reached.any():
        pictures['ground.png'] = _draw_ground(robot, ground, walks)
    if walks:
        # Where the feet cannot carry the robot, as the report says, there is no torque to show.
        with suppress(BalanceError):
            pictures['torque.png'] = _draw_torque(robot, report.legs, walks[0])
    if report.lines:
        pictures['lines.png'] = _draw_lines(report.lines)
    for name in ('robot.png', 'reach.png', 'ground.png', 'torque.png', 'lines.png'):
        (folder / name).unlink(missing_ok=True)
    for name, figure in pictures.items():
        figure.savefig(folder / name, dpi=110)
        plt.close(figure)
    return [folder / name for name in pictures]


def _draw_reach(robot: Robot, legs: tuple[LegSolver, ...], walks: tuple[SteadyWalk, ...]) -> Figure:
    figure, (side, top) = plt.subplots(1, 2, figsize=(13, 6), layout='constrained')
    leg, foot = legs[0], robot.standing.feet[0]
    spacing = leg.geometry.stretched / CELLS
    _fill(side, side_section(leg, spacing))
    _fill(top, level_section(leg, -robot.standing.height, spacing))
    local = np.array(leg.mount.to_mount(foot))
    side.plot(MM * np.hypot(local[0], local[1]), MM * local[2], 'ko', label='standing foot')
    top.plot(MM * foot[0], MM * foot[1], 'ko', label='standing foot')
    rise = np.array([leg.mount.to_mount((foot[0], foot[1], -h)) for h in _heights(robot)])
    side.plot(MM * np.hypot(rise[:, 0], rise[:, 1]), MM * rise[:, 2], 'k:', label='standing up')
    for walk in walks:
        path = np.vstack([walk.feet[:, 0], walk.feet[:1, 0]])
        seen = (path - leg.mount.position) @ np.array(leg.mount.rotation)
        side.plot(MM * np.hypot(seen[:, 0], seen[:, 1]), MM * seen[:, 2], label=walk.heading)
        top.plot(*(MM * path[:, :2].T), label=walk.heading)
    try:
        links = joint_points(leg, np.array([leg.angles(foot)]))[0]
    except LegKinematicsError:
        # A foot that cannot be reached is shown alone.
        pass
    else:
        seen = (links - leg.mount.position) @ np.array(leg.mount.rotation)
        side.plot(MM * np.hypot(seen[:, 0], seen[:, 1]), MM * seen[:, 2], 'k-', linewidth=3)
        top.plot(*(MM * links[:, :2].T), 'k-', linewidth=3)
    length, width, _ = robot.body.size
    top.add_patch(
        Rectangle((-0.5 * MM * length, -0.5 * MM * width), MM * length, MM * width, fill=False)
    )
    name = leg.name.replace('_', ' ')
    side.set(
        title=f'{name} from the side, coxa in the middle',
        xlabel='distance from the coxa axis (mm)',
        ylabel='height over the mount (mm)',
    )
    top.set(
        title=f'{name} from above, {MM * robot.standing.height:.0f} mm below the body',
        xlabel='x, forward (mm)',
        ylabel='y, to the left (mm)',
    )
    for axes in (side, top):
        axes.set_aspect('equal')
        axes.grid(alpha=0.3)
    figure.legend(*side.get_legend_handles_labels(), loc='outside lower center', ncols=5)
    return figure


def _heights(robot: Robot) -> list[float]:
    return [robot.resting.height, robot.standing.height]


def _draw_ground(robot: Robot, ground: Section, walks: tuple[SteadyWalk, ...]) -> Figure:
    figure, axes = plt.subplots(figsize=(8, 7.5), layout='constrained')
    feet = np.array(robot.standing.feet)
    _fill(axes, ground)
    for walk in walks:
        for leg in range(len(robot.legs)):
            away = walk.feet[walk.stance(leg), leg] - feet[leg]
            label = walk.heading if leg == 0 else None
            color = f'C{list(HEADINGS).index(walk.heading)}'
            axes.plot(*(MM * away[:, :2].T), color=color, linewidth=0.8, label=label)
    axes.plot(0.0, 0.0, 'ko', label='standing')
    axes.set(
        title='Ground that all legs can use, and what standing feet use of it',
        xlabel='x, forward (mm)',
        ylabel='y, to the left (mm)',
        aspect='equal',
    )
    axes.grid(alpha=0.3)
    axes.legend(loc='upper right')
    return figure


def _fill(axes: Axes, section: Section) -> None:
    """Show the reached part of a section, without the empty ground far around it."""
    rows, columns = np.nonzero(section.reached)
    if len(rows) == 0:
        axes.text(0.5, 0.75, 'nothing can be reached here', transform=axes.transAxes, ha='center')
        return
    axes.use_sticky_edges = False
    height = slice(max(0, rows.min() - 1), rows.max() + 2)
    width = slice(max(0, columns.min() - 1), columns.max() + 2)
    axes.contourf(
        MM * section.across[width],
        MM * section.along[height],
        section.reached[height, width].astype(float),
        levels=[0.5, 1.5],
        colors=['tab:green'],
        alpha=0.25,
    )


def _draw_torque(robot: Robot, legs: tuple[LegSolver, ...], walk: SteadyWalk) -> Figure:
    shares = 100.0 * walking_shares(robot, legs, walk)
    order = np.argsort(walk.phases)
    figure, row = plt.subplots(1, 3, figsize=(14, 4.6), sharey=True, layout='constrained')
    for joint, (axes, segment) in enumerate(zip(row, SEGMENTS, strict=True)):
        for leg, name in enumerate(robot.leg_names):
            axes.plot(walk.phases[order], shares[order, leg, joint], label=name.replace('_', ' '))
        axes.axhline(100.0 * WALKING.good, color='tab:orange', linestyle='--')
        axes.axhline(100.0 * WALKING.bound, color='tab:red', linestyle='--')
        axes.set(title=segment, xlabel='phase of the cycle')
        axes.grid(alpha=0.3)
    row[0].set_ylabel('torque (% of stall)')
    row[0].set_ylim(bottom=0.0)
    figure.suptitle(
        f'Walking {walk.heading} at its fastest, duty factor {walk.duty_factor:.3g}; dashed: '
        f'tight, fail'
    )
    figure.legend(*row[0].get_legend_handles_labels(), loc='outside lower center', ncols=6)
    return figure


def _draw_lines(lines: Sequence[DrawnLine]) -> Figure:
    figure, (page, close) = plt.subplots(1, 2, figsize=(14, 6.5), layout='constrained')
    name = lines[0].leg.replace('_', ' ')
    for index, line in enumerate(lines):
        ideal = MM * np.array([line.start, line.goal])
        page.plot(*ideal.T[:2], color='0.8', linewidth=3, zorder=1)
        label = ('there', 'back')[index] if index < 2 else None
        page.plot(*(MM * line.rested.T[:2]), color=f'C{index % 2}', linewidth=1, label=label)
    page.set(
        title=f'Lines that the {name} foot draws, dead bands included',
        xlabel='x, forward (mm)',
        ylabel='y, to the left (mm)',
        aspect='equal',
    )
    pairs = list(zip(lines[::2], lines[1::2], strict=True))
    pair = max(pairs, key=lambda both: max(line.straying(line.rested) for line in both))
    start, goal = np.array(pair[0].start), np.array(pair[0].goal)
    along = (goal - start) / np.linalg.norm(goal - start)
    left = np.array([-along[1], along[0], 0.0])
    for feet, label, style in (
        (pair[0].exact, 'exact pulses', 'k-'),
        (pair[0].rounded, 'half microseconds', 'k:'),
        (pair[0].rested, 'with dead bands, there', 'C0-'),
        (pair[1].rested, 'with dead bands, back', 'C1-'),
    ):
        away = MM * (feet - start)
        close.plot(away @ along, away @ left, style, linewidth=1, label=label)
    close.set(
        title='The line that strays most',
        xlabel='along the line (mm)',
        ylabel='to the left of it (mm)',
    )
    for axes in (page, close):
        axes.grid(alpha=0.3)
        axes.legend(loc='upper center', bbox_to_anchor=(0.5, -0.1), ncols=2)
    return figure
