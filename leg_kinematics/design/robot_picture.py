# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The whole robot as it stands, from above, from the front and from the side."""

from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import fill

import numpy as np
from matplotlib import pyplot as plt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Rectangle
from numpy.typing import NDArray

from leg_kinematics.design.doubts import Doubt
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, centre_of_mass, joint_points, support_polygon

Array = NDArray[np.float64]

MM = 1e3

#: Of the figure, inches.
WIDTH = 13.0

#: Around the robot, as a share of its largest extent.
MARGIN = 0.15

#: Of a label, characters.
LABEL_WIDTH = 16

SOUND, DOUBTED = 'tab:blue', 'tab:red'


@dataclass(frozen=True)
class _View:
    """One side of the robot; across and up are axes of `base_link`, 0 to 2."""

    title: str
    across: int
    up: int

    def of(self, points: Array) -> Array:
        """Coordinates of points, m, in this view, mm, shape (n, 2)."""
        seen: Array = MM * np.atleast_2d(points)[:, (self.across, self.up)]
        return seen


ABOVE = _View('from above', 0, 1)
FRONT = _View('from the front', 1, 2)
SIDE = _View('from its right side', 0, 2)

LABELS = ('x, forward (mm)', 'y, to the left (mm)', 'z, up (mm)')


def draw_robot(robot: Robot, legs: Sequence[LegSolver], doubts: Sequence[Doubt]) -> Figure:
    """Draw body, mounts, legs, ground, centre of mass and support; legs in doubt stand out.

    A leg that cannot take the standing posture is a dashed line from its mount to its foot.
    """
    points = [_links(leg, foot) for leg, foot in zip(legs, robot.standing.feet, strict=True)]
    low, high = _extent(robot, points)
    width, depth, height = high - low
    figure, axes = plt.subplots(
        2,
        2,
        figsize=(WIDTH, min(WIDTH, 1.5 + WIDTH * (depth + height) / (width + depth))),
        layout='constrained',
        gridspec_kw={'width_ratios': (width, depth), 'height_ratios': (depth, height)},
    )
    above, words, side, front = axes.flat
    slips = {
        name: [doubt.label for doubt in doubts if name in doubt.legs] for name in robot.leg_names
    }
    for view, each in ((ABOVE, above), (FRONT, front), (SIDE, side)):
        _draw_body(each, view, robot)
        for leg, foot, links in zip(robot.legs, robot.standing.feet, points, strict=True):
            # A leg that cannot stand so goes straight from its mount to its foot.
            line = np.array([leg.mount.position, foot]) if links is None else links
            each.plot(
                *view.of(line).T,
                color=DOUBTED if slips[leg.name] else SOUND,
                linestyle='--' if links is None else '-',
                linewidth=3,
                zorder=3 if slips[leg.name] else 2,
            )
            each.plot(*view.of(line[0]).T, 's', color='black', markersize=6)
            each.plot(*view.of(line[-1]).T, 'o', color='black', markersize=6)
        _draw_centre(each, view, robot, legs)
        each.set(
            title=view.title,
            xlabel=LABELS[view.across],
            ylabel=LABELS[view.up],
            xlim=MM * np.array([low[view.across], high[view.across]]),
            ylim=MM * np.array([low[view.up], high[view.up]]),
            aspect='equal',
        )
        each.grid(alpha=0.3)
    polygon = support_polygon([(x, y) for x, y, _ in robot.standing.feet])
    above.add_patch(Polygon(MM * np.array(polygon), color='tab:green', alpha=0.12))
    for leg, foot in zip(robot.legs, robot.standing.feet, strict=True):
        _label(above, leg.name, slips[leg.name], foot)
    for each in (front, side):
        each.axhline(-MM * robot.standing.height, color='tab:brown')
    _write_legend(words, slips)
    figure.suptitle(f'{robot.name}, standing')
    return figure


def _links(leg: LegSolver, foot: Vector) -> Array | None:
    """Coxa axis, femur axis, knee and foot, m, shape (4, 3); None when out of reach."""
    try:
        angles = leg.angles(foot)
    except LegKinematicsError:
        return None
    links: Array = joint_points(leg, np.array([angles]))[0]
    return links


def _extent(robot: Robot, points: Sequence[Array | None]) -> tuple[Array, Array]:
    """Lowest and highest coordinates to show, m, with room for the labels."""
    half = 0.5 * np.array(robot.body.size)
    places = np.vstack(
        [
            half,
            -half,
            robot.standing.feet,
            [leg.mount.position for leg in robot.legs],
            *(links for links in points if links is not None),
        ]
    )
    low, high = places.min(axis=0), places.max(axis=0)
    room = MARGIN * float((high - low).max())
    return low - room, high + room


def _draw_body(axes: Axes, view: _View, robot: Robot) -> None:
    size = MM * np.array(robot.body.size)
    width, height = size[view.across], size[view.up]
    corner = (-0.5 * width, -0.5 * height)
    axes.add_patch(Rectangle(corner, width, height, facecolor='0.9', edgecolor='0.4'))
    if view is not FRONT:
        axes.annotate(
            'front ▶',
            xy=(0.5 * width, 0.0 if view is ABOVE else 0.5 * height),
            xytext=(5, 0) if view is ABOVE else (0, 4),
            textcoords='offset points',
            va='center' if view is ABOVE else 'bottom',
            ha='left' if view is ABOVE else 'right',
        )


def _label(axes: Axes, name: str, slips: Sequence[str], foot: Vector) -> None:
    x, y, _ = foot
    axes.annotate(
        '\n'.join([name.replace('_', ' '), *(fill(slip, LABEL_WIDTH) for slip in slips)]),
        xy=(MM * x, MM * y),
        xytext=(0, 9 if y >= 0.0 else -9),
        textcoords='offset points',
        ha='center',
        va='bottom' if y >= 0.0 else 'top',
        color=DOUBTED if slips else 'black',
        fontweight='bold' if slips else 'normal',
    )


def _draw_centre(axes: Axes, view: _View, robot: Robot, legs: Sequence[LegSolver]) -> None:
    """Mark the centre of mass, which is known only where all legs stand."""
    try:
        angles = [leg.angles(foot) for leg, foot in zip(legs, robot.standing.feet, strict=True)]
    except LegKinematicsError:
        return
    place = view.of(np.array(centre_of_mass(robot, legs, angles)))
    axes.plot(*place.T, 'X', color='tab:orange', markeredgecolor='black', markersize=11)


def _write_legend(axes: Axes, slips: dict[str, list[str]]) -> None:
    """Say what is what, and which legs are in doubt, where no view is."""
    axes.axis('off')
    axes.plot([], [], 's', color='black', label='mount: the coxa axis')
    axes.plot([], [], 'o', color='black', label='foot')
    axes.plot([], [], 'X', color='tab:orange', markeredgecolor='black', label='centre of mass')
    axes.plot([], [], color='tab:green', alpha=0.3, linewidth=9, label='support polygon')
    axes.plot([], [], color='tab:brown', label='ground')
    axes.plot([], [], color=SOUND, linewidth=3, label='leg')
    axes.plot([], [], color='0.4', linestyle='--', label='cannot stand so, see reach')
    for name, said in slips.items():
        if said:
            label = f'{name.replace("_", " ")}: {" ".join(said)}'
            axes.plot([], [], color=DOUBTED, linewidth=3, label=label)
    axes.legend(loc='center', frameon=False)
