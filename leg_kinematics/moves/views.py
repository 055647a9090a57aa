# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""From where pictures of legs are looked at."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import SubFigure
from matplotlib.gridspec import SubplotSpec
from numpy.typing import NDArray

from leg_kinematics.moves.places import Frame, LegFrames
from leg_kinematics.robot import Vector
from leg_kinematics.solver import LegSolver

Array = NDArray[np.float64]

MM = 1e3

#: Of a view, the shorter side as a share of the longer one at least.
NARROWEST = 0.5

#: Around what is shown, as a share of half of it.
MARGIN = 0.12


@dataclass(frozen=True)
class View:
    """From where one looks: points of `base_link` as two coordinates in mm."""

    title: str
    across: str
    up: str
    origin: Array
    axes: Array

    def of(self, points: Array | Vector) -> Array:
        """See points, m, shape (n, 3), as coordinates in mm, shape (n, 2)."""
        seen: Array = MM * (np.atleast_2d(points) - self.origin) @ self.axes.T
        return seen


def leg_views(frames: LegFrames, leg: LegSolver) -> tuple[View, ...]:
    """Look at one leg from the side and from above, in its resting frame."""
    origin, outwards, left, up = (
        np.array(frames.point(leg.name, Frame.RESTING, place))
        for place in ((0.0, 0.0, 0.0), (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
    )
    x = 'x, outwards from rest (mm)'
    return (
        View('from the side', x, 'z, up from rest (mm)', origin, np.array((outwards, up)) - origin),
        View('from above', x, 'y, to the left (mm)', origin, np.array((outwards, left)) - origin),
    )


def body_views() -> tuple[View, ...]:
    """Look at the whole robot, in `base_link`."""
    x, y, z = np.eye(3)
    names = ('x, forward (mm)', 'y, to the left (mm)', 'z, up (mm)')
    nowhere = np.zeros(3)
    return (
        View('from above', names[0], names[1], nowhere, np.array((x, y))),
        View('from its right side', names[0], names[2], nowhere, np.array((x, z))),
        View('from the front', names[1], names[2], nowhere, np.array((y, z))),
    )


def view_axes(
    figure: SubFigure, views: Sequence[View], points: Array, place: SubplotSpec
) -> list[Axes]:
    """Place axes side by side, all at one scale, that show points with a margin around them."""
    windows = []
    for view in views:
        places = view.of(points)
        middle = 0.5 * (places.min(axis=0) + places.max(axis=0))
        spans = np.ptp(places, axis=0)
        windows.append((middle, 0.5 * np.maximum(spans, NARROWEST * spans.max())))
    room = MARGIN * max(float(half.max()) for _, half in windows)
    widths = [float(half[0]) + room for _, half in windows]
    grid = place.subgridspec(1, len(views), width_ratios=widths)
    row = []
    for column, (view, (middle, half)) in enumerate(zip(views, windows, strict=True)):
        axes = figure.add_subplot(grid[0, column])
        axes.set(
            title=view.title,
            xlabel=view.across,
            ylabel=view.up,
            xlim=(middle[0] - half[0] - room, middle[0] + half[0] + room),
            ylim=(middle[1] - half[1] - room, middle[1] + half[1] + room),
            aspect='equal',
        )
        axes.grid(alpha=0.3)
        row.append(axes)
    return row


def write_legend(empty: Axes, told: Axes, columns: int) -> None:
    """Say in empty axes what is what in others, each once."""
    empty.axis('off')
    handles, labels = told.get_legend_handles_labels()
    once = dict(zip(reversed(labels), reversed(handles), strict=True))
    names = list(dict.fromkeys(labels))
    empty.legend([once[name] for name in names], names, loc='center', ncols=columns)
