# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A picture of what would be done."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import degrees
from pathlib import Path
from textwrap import wrap

import matplotlib as mpl
import numpy as np
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure, SubFigure
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.moves.places import LegFrames
from leg_kinematics.moves.plan import ROUNDING, Plan
from leg_kinematics.moves.views import MM, View, body_views, leg_views, view_axes, write_legend
from leg_kinematics.moves.words import step_in_words
from leg_kinematics.robot import SEGMENTS
from leg_kinematics.solver import LegSolver, joint_points, solve_batch

Array = NDArray[np.float64]

#: That can be told apart whatever colours the eye sees, leg by leg: Okabe and Ito, Color Universal
#: Design, 2008 (from memory).
COLOURS = ('#0072b2', '#e69f00', '#009e73', '#cc79a7', '#56b4e9', '#d55e00')

#: Instants of a plan that are drawn.
INSTANTS = 400

#: With more steps the legs are drawn at the beginning and at the end only.
MOST_POSES = 6

#: Numbers of steps over a time axis stand no closer than this share of it.
CLOSEST_NUMBERS = 0.06

#: Places closer than these shares of the width of a view, across and up, have one label.
CLOSEST_PLACES = (0.09, 0.035)

#: Numbers of steps in one label.
MOST_NUMBERS = 2

#: Height of a legend under axes, as a share of theirs.
LEGEND = 0.09

#: Of the words beside a picture, in characters and lines.
WORDS_WIDTH, WORDS_LINES = 46, 54

#: A stretched leg takes so many cells of a grid.
CELLS = 120


@dataclass(frozen=True)
class _Shown:
    """A plan as arrays.

    Attributes
    ----------
    plan, robot
        What is drawn.
    legs
        Indices of the legs that move; of all where none does.
    times
        s, shape (n,).
    feet, angles
        m and rad, shape (n, legs, 3), the legs being all of the robot.
    ends
        Number of each step that takes time, and when it ends, s.

    """

    plan: Plan
    robot: CalibratedRobot
    legs: tuple[int, ...]
    times: Array
    feet: Array
    angles: Array
    ends: dict[int, float]

    @classmethod
    def of(cls, plan: Plan, robot: CalibratedRobot) -> '_Shown':
        times = np.union1d(np.linspace(0.0, plan.duration, INSTANTS), plan.ends)
        feet = np.array([plan.at(time).feet for time in times.tolist()])
        angles = [solve_batch(leg, feet[:, i]).angles for i, leg in enumerate(robot.legs)]
        moving = np.flatnonzero(np.ptp(feet, axis=0).max(axis=1) > ROUNDING).tolist()
        return cls(
            plan,
            robot,
            tuple(moving or range(len(robot.legs))),
            times,
            feet,
            np.stack(angles, axis=1),
            {move.number: end for move, end in zip(plan.moves, plan.ends, strict=True)},
        )

    def colour(self, leg: int) -> str:
        """Of a leg, the same in all pictures."""
        return COLOURS[leg % len(COLOURS)]

    def name(self, leg: int) -> str:
        """Of a leg, as it is written in a picture."""
        return self.robot.legs[leg].name.replace('_', ' ')

    def index(self, time: float) -> int:
        """Of the instant at a time, s."""
        return int(np.searchsorted(self.times, time))


def draw_preview(plan: Plan, robot: CalibratedRobot, file: Path) -> None:
    """Write the picture of a plan.

    Parameters
    ----------
    plan, robot
        As for `preview`.
    file
        Where the picture goes, a PNG.

    """
    mpl.use('Agg')
    figure = preview(plan, robot)
    figure.savefig(file, dpi=100)
    plt.close(figure)


def preview(plan: Plan, robot: CalibratedRobot) -> Figure:
    """Draw the ways of the feet, the legs, and joint angles and pulses over time.

    Parameters
    ----------
    plan
        What would be done, one move or more.
    robot
        That would do it.

    """
    shown = _Shown.of(plan, robot)
    figure = plt.figure(figsize=(16, 10), layout='constrained')
    grid = figure.add_gridspec(2, 2, width_ratios=(4.2, 1.0), height_ratios=(1.05, 1.0))
    _draw_views(figure.add_subfigure(grid[0, 0]), shown)
    _draw_joints(figure.add_subfigure(grid[1, 0]), shown)
    _write_steps(figure.add_subfigure(grid[:, 1]), plan)
    figure.suptitle(f'{robot.robot.name}: what would be done; {plan.duration:.1f} s')
    return figure


def _draw_views(figure: SubFigure, shown: _Shown) -> None:
    """Draw feet and legs from several sides; a leg that moves alone without the others."""
    alone = len(shown.legs) == 1
    seen = shown.legs if alone else tuple(range(len(shown.robot.legs)))
    links = {leg: joint_points(shown.robot.legs[leg], shown.angles[:, leg]) for leg in seen}
    first = shown.robot.legs[seen[0]]
    views = leg_views(LegFrames(shown.robot.robot), first) if alone else body_views()
    points = np.vstack([each.reshape(-1, 3) for each in links.values()])
    if not alone:
        half = 0.5 * np.array(shown.robot.robot.body.size)
        points = np.vstack([points, half, -half])
    figure.suptitle('feet and legs, as seen from the body')
    grid = figure.add_gridspec(2, 1, height_ratios=(1.0, LEGEND))
    row = view_axes(figure, views, points, grid[0, 0])
    for axes, view in zip(row, views, strict=True):
        if alone:
            _fill_reach(axes, view, first, shown.feet[-1, seen[0]])
        else:
            _draw_body(axes, view, shown)
        for leg, each in links.items():
            _draw_leg(axes, view, shown, leg, each)
    # From the side the legs of a whole robot hide each other, and their numbers would.
    for axes, view in zip(row[: len(row) if alone else 1], views, strict=False):
        _number_places(axes, view, shown)
    write_legend(figure.add_subplot(grid[1, 0]), row[0], 6)


def _fill_reach(axes: Axes, view: View, leg: LegSolver, through: Array) -> None:
    """Show where a foot can go in the plane of a view through a place of it, m."""
    span = leg.geometry.stretched
    steps = np.linspace(-2.0 * span, 2.0 * span, 4 * CELLS)
    across, up = np.meshgrid(steps, steps)
    depth = np.cross(*view.axes)
    plane = view.origin + depth * ((through - view.origin) @ depth)
    points = plane + across[..., np.newaxis] * view.axes[0] + up[..., np.newaxis] * view.axes[1]
    reached = solve_batch(leg, points.reshape(-1, 3)).reached.reshape(across.shape)
    axes.contourf(
        MM * steps, MM * steps, reached, levels=[0.5, 1.5], colors=['tab:green'], alpha=0.15
    )
    axes.plot(
        [],
        [],
        color='tab:green',
        alpha=0.3,
        linewidth=9,
        label='reach, in the plane of its last place',
    )


def _draw_body(axes: Axes, view: View, shown: _Shown) -> None:
    half = 0.5 * np.array(shown.robot.robot.body.size)
    (left, low), (right, high) = view.of(np.array((-half, half)))
    axes.add_patch(
        Rectangle((left, low), right - left, high - low, facecolor='0.93', edgecolor='0.5')
    )
    if view.title == 'from above':
        axes.annotate(
            'front ▶',
            (right, 0.5 * (low + high)),
            xytext=(-4, 0),
            textcoords='offset points',
            ha='right',
            va='center',
            fontsize=8,
        )


def _draw_leg(axes: Axes, view: View, shown: _Shown, leg: int, links: Array) -> None:
    """Draw a leg at the beginning and after the steps, and the way of the foot."""
    moves = leg in shown.legs and bool(shown.ends)
    ends = [shown.index(end) for end in shown.ends.values()] if moves else []
    colour = shown.colour(leg)
    axes.plot(*view.of(links[0]).T, color='0.7', linewidth=5, label='leg at the beginning')
    for index in ends[:-1] if len(ends) <= MOST_POSES else ():
        axes.plot(*view.of(links[index]).T, color=colour, linewidth=1, label='after a step')
    if moves:
        axes.plot(*view.of(links[-1]).T, color=colour, linewidth=2.5, label='leg at the end')
        axes.plot(
            *view.of(shown.feet[:, leg]).T, color='black', linewidth=1.2, label='way of the foot'
        )
        stops = shown.feet[[0, *ends], leg]
        axes.plot(*view.of(stops).T, 'o', color='black', markersize=3.5)
    mount = view.of(links[0, 0])
    axes.plot(*mount.T, 's', color='black', markersize=6, label='mount: the coxa axis')


def _number_places(axes: Axes, view: View, shown: _Shown) -> None:
    """Write beside each place at which feet stop after which steps they do."""
    low, high = axes.get_xlim()
    middle, close = 0.5 * (low + high), (high - low) * np.array(CLOSEST_PLACES)
    labels: list[tuple[Array, list[int]]] = []
    for leg in shown.legs:
        before = shown.feet[0, leg]
        for number, end in shown.ends.items():
            foot = shown.feet[shown.index(end), leg]
            if np.linalg.norm(foot - before) > ROUNDING:
                place = view.of(foot)[0]
                near = (each for each in labels if (np.abs(each[0] - place) < close).all())
                found = next(near, None)
                if found is None:
                    found = (place, [])
                    labels.append(found)
                if number + 1 not in found[1]:
                    found[1].append(number + 1)
            before = foot
    for place, numbers in labels:
        told = ', '.join(map(str, numbers[:MOST_NUMBERS]))
        axes.annotate(
            told if len(numbers) <= MOST_NUMBERS else f'{told} …',
            (place[0], place[1]),
            xytext=(5 if place[0] >= middle else -5, 4),
            textcoords='offset points',
            ha='left' if place[0] >= middle else 'right',
            fontsize=8,
            fontweight='bold',
            bbox={'boxstyle': 'round,pad=0.15', 'facecolor': 'white', 'alpha': 0.7, 'lw': 0},
        )


def _draw_joints(figure: SubFigure, shown: _Shown) -> None:
    """Draw angles and pulses of the joints that move, with their limits."""
    grid = figure.add_gridspec(3, len(SEGMENTS), height_ratios=(1.0, 1.0, 2.0 * LEGEND))
    # What lies below others is wider, so that legs that do the same are all seen.
    widths = np.linspace(1.2 + 0.8 * (len(shown.legs) - 1), 1.2, len(shown.legs)).tolist()
    for joint, segment in enumerate(SEGMENTS):
        angle_axes = figure.add_subplot(grid[0, joint])
        pulse_axes = figure.add_subplot(grid[1, joint], sharex=angle_axes)
        bounds: tuple[set[tuple[float, float]], ...] = (set(), set())
        for leg, width in zip(shown.legs, widths, strict=True):
            solver = shown.robot.legs[leg]
            servo_map = shown.robot.maps.by_joint[solver.joints[joint]]
            angles = shown.angles[:, leg, joint]
            # Rounding may put an angle a hair beyond what has a pulse.
            pulses = [servo_map.pulse_us(angle) for angle in angles.clip(*servo_map.angle_range)]
            style = {'color': shown.colour(leg), 'linewidth': width, 'label': shown.name(leg)}
            angle_axes.plot(shown.times, np.degrees(angles), **style)
            pulse_axes.plot(shown.times, pulses, **style)
            low, high = solver.limits[joint]
            bounds[0].add((degrees(low), degrees(high)))
            bounds[1].add((servo_map.lowest_us, servo_map.highest_us))
        for axes, both in zip((angle_axes, pulse_axes), bounds, strict=True):
            _draw_bounds(axes, both)
            _mark_steps(axes, shown)
        _number_steps(angle_axes, shown)
        angle_axes.set_title(segment, pad=18)
        pulse_axes.set_xlabel('time (s), with the number of the step on top')
        if joint == 0:
            angle_axes.set_ylabel('joint angle (deg)')
            pulse_axes.set_ylabel('pulse (µs)')
            write_legend(figure.add_subplot(grid[2, :]), angle_axes, len(shown.legs) + 1)


def _draw_bounds(axes: Axes, bounds: Iterable[tuple[float, float]]) -> None:
    """Shade what is allowed, with a line at each limit."""
    for low, high in bounds:
        axes.axhspan(low, high, color='tab:green', alpha=0.08, label='allowed')
        for bound in (low, high):
            axes.axhline(bound, color='tab:red', linestyle='--', linewidth=0.8)
    axes.grid(alpha=0.3)


def _mark_steps(axes: Axes, shown: _Shown) -> None:
    for end in shown.ends.values():
        axes.axvline(end, color='0.6', linewidth=0.6)
    if shown.times[-1] > 0.0:
        axes.set_xlim(0.0, shown.times[-1])


def _number_steps(axes: Axes, shown: _Shown) -> None:
    """Write the numbers of the steps over the axes, as many as there is room for."""
    begin, last = 0.0, -1.0
    for number, end in shown.ends.items():
        middle = 0.5 * (begin + end)
        if middle - last >= CLOSEST_NUMBERS * shown.times[-1]:
            axes.annotate(
                f'{number + 1}',
                (middle, 1.0),
                xycoords=('data', 'axes fraction'),
                xytext=(0, 3),
                textcoords='offset points',
                ha='center',
                fontsize=8,
            )
            last = middle
        begin = end


def _write_steps(figure: SubFigure, plan: Plan) -> None:
    """Write the steps in words, as many as there is room for."""
    lines: list[str] = []
    told = 0
    steps = {move.number: move.step for move in plan.moves}
    for number, step in steps.items():
        moves = [move for move in plan.moves if move.number == number]
        takes, asked = (
            sum(each) for each in zip(*((m.duration, m.wanted) for m in moves), strict=True)
        )
        entry = wrap(
            f'{number + 1}  {step_in_words(step)}: {takes:.2f}\u00a0s',
            WORDS_WIDTH,
            subsequent_indent='    ',
        )
        if takes > asked + 0.005:
            entry += wrap(
                f'({asked:.2f}\u00a0s was asked for; the servos need longer)',
                WORDS_WIDTH,
                initial_indent='    ',
                subsequent_indent='    ',
            )
        if len(lines) + len(entry) > WORDS_LINES:
            break
        lines += entry
        told += 1
    if told < len(steps):
        lines.append(f'… and {len(steps) - told} steps more')
    figure.text(0.03, 0.94, 'steps', va='top', fontsize=12)
    figure.text(0.03, 0.91, '\n'.join(lines), va='top', fontsize=8)
