# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A picture of where feet were measured, beside where they were expected, before and after."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from leg_kinematics.calibration import ServoMap
from leg_kinematics.calibration.foot_readings import FootOnGround
from leg_kinematics.identification.evidence import Evidence, FootSeen
from leg_kinematics.identification.fit import Identified
from leg_kinematics.identification.landing import aligned, foot_by_maps
from leg_kinematics.identification.room import Floats, Room

#: The colours are of Okabe and Ito, Color Universal Design, 2008 (from memory).
BEFORE, AFTER = '#d55e00', '#0072b2'

SUSPECT = 'left out: probably mistyped'

#: How it is drawn.
AROUND: dict[str, Any] = {'color': 'tab:red', 'markersize': 12, 'fillstyle': 'none'}

#: Arrows are magnified by one of these, so that the middle one is about so long, mm.
MAGNIFIED = (1, 2, 5, 10, 20, 50, 100)
ARROW = 30.0

#: Positions of one leg are drawn side by side over so much of its column.
COLUMN = 0.6


#: A distance that is smaller is drawn as this one, mm.
SMALLEST = 0.02


@dataclass(frozen=True)
class _Errors:
    """How far feet were from where they were expected, and how that is drawn.

    Attributes
    ----------
    off
        From where each was expected to where it was, m, shape (n, 3).
    colour
        Of its arrows.
    words
        By what it was expected.

    """

    off: Floats
    colour: str
    words: str


@dataclass(frozen=True)
class _Seen:
    """Feet that were measured.

    Attributes
    ----------
    legs
        Of each, its name.
    places
        Where it was, in `base_link`, m, shape (n, 3); of one that was left out, where it should be.
    before, after
        By the present maps, after the best rigid motion of all, and by what was identified.
    suspect
        Whether it was left out, shape (n,).
    touched
        Whether it touched the ground: only its height is known then, shape (n,).

    """

    legs: tuple[str, ...]
    places: Floats
    before: _Errors
    after: _Errors
    suspect: NDArray[np.bool_]
    touched: NDArray[np.bool_]


def draw_feet(
    room: Room, maps: Mapping[str, ServoMap], evidence: Evidence, found: Identified
) -> Figure:
    """Draw from above how far feet were from where they were expected, and how far of each leg.

    Parameters
    ----------
    room
        The robot as it is described.
    maps
        The present ones, by joint.
    evidence
        What was measured; one foot or more.
    found
        What was identified of it.

    """
    seen = _seen(room, maps, evidence, found)
    figure = Figure(figsize=(12.0, 9.5), layout='constrained')
    grid = figure.add_gridspec(2, 2, height_ratios=(1.7, 1.0))
    before = figure.add_subplot(grid[0, 0])
    _draw_above(before, room, seen, seen.before)
    after = figure.add_subplot(grid[0, 1], sharex=before, sharey=before)
    _draw_above(after, room, seen, seen.after)
    _draw_sizes(figure.add_subplot(grid[1, :]), seen)
    handles = {
        label: handle
        for axes in figure.axes
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True)
    }
    figure.legend(handles.values(), handles.keys(), loc='outside lower center', ncols=3)
    return figure


def _seen(room: Room, maps: Mapping[str, ServoMap], evidence: Evidence, found: Identified) -> _Seen:
    entries: list[FootSeen | FootOnGround] = [*evidence.feet, *evidence.touches]
    stands = [each.stand for each in entries]
    touched = np.arange(len(entries)) >= len(evidence.feet)
    wrong = {
        (each.kind == 'touch', each.place) for each in found.suspects if each.kind != 'reading'
    }
    suspect = np.array(
        [
            (bool(touch), place - touch * len(evidence.feet)) in wrong
            for place, touch in enumerate(touched.tolist())
        ]
    )
    after = np.zeros((len(entries), 3))
    after[~touched] = found.foot_residuals
    after[touched, 2] = found.touch_residuals
    after = np.array([_in_body(found, each, row) for each, row in zip(entries, after, strict=True)])
    expected = found.feet(stands)
    measured = expected + after
    meant = np.array([foot_by_maps(room, maps, stand) for stand in stands])
    before = measured - aligned(meant, measured, ~suspect)
    # Where the ground is, a touch tells only up and down.
    before[touched, :2] = 0.0
    return _Seen(
        legs=tuple(each.leg for each in stands),
        places=np.where(suspect[:, np.newaxis], expected, measured),
        before=_Errors(before, BEFORE, 'by the present maps and lengths'),
        after=_Errors(after, AFTER, 'by those that were found'),
        suspect=suspect,
        touched=touched,
    )


def _in_body(found: Identified, entry: FootSeen | FootOnGround, vector: Floats) -> Floats:
    """Turn a vector from the frame of its placement into `base_link`."""
    first = found.model.places[f'placement_{entry.placement}.turn_x']
    turned: Floats = Rotation.from_rotvec(found.values[first : first + 3]).apply(vector)
    return turned


def _draw_above(axes: Axes, room: Room, seen: _Seen, errors: _Errors) -> None:
    """Draw the robot from above, and arrows from where feet were expected to where they were."""
    length, width = (1e3 * size for size in room.robot.body.size[:2])
    corner = (-0.5 * length, -0.5 * width)
    axes.add_patch(Rectangle(corner, length, width, facecolor='0.92', edgecolor='0.5', zorder=0))
    for leg in room.robot.legs:
        x, y, _ = leg.mount.position
        axes.plot(1e3 * x, 1e3 * y, 's', color='0.4', markersize=5, zorder=1)
    across, up = 1e3 * seen.places[:, 0], 1e3 * seen.places[:, 1]
    positions, suspect, touched = ~seen.touched & ~seen.suspect, seen.suspect, seen.touched
    times = _magnified(errors.off[positions])
    axes.quiver(
        *(across[positions], up[positions]),
        *(times * 1e3 * errors.off[positions, :2].T),
        color=errors.colour,
        angles='xy',
        pivot='tip',
        scale_units='xy',
        scale=1.0,
        width=0.004,
        zorder=3,
    )
    for which, marker, label in (
        (~touched, '.', 'measured'),
        (touched, '+', 'touched the ground'),
    ):
        if which.any():
            axes.plot(across[which], up[which], marker, color='black', label=label)
    if suspect.any():
        axes.plot(across[suspect], up[suspect], 'o', label=SUSPECT, **AROUND)
    arrows = f', arrows {times} times as long' if times > 1 else ', arrows in true length'
    axes.set(
        title=errors.words + (arrows if positions.any() else ''),
        xlabel='x, forward (mm)',
        ylabel='y, to the left (mm)',
        aspect='equal',
    )
    axes.grid(alpha=0.3)
    # Arrows may be longer than the feet are apart.
    axes.margins(0.1)
    # An empty line for the legend, which cannot show arrows.
    label = f'from where it was expected {errors.words}'
    axes.plot([], [], color=errors.colour, linewidth=2, label=label)


def _magnified(off: Floats) -> int:
    """Choose how many times as long arrows are drawn."""
    middle = 1e3 * float(np.median(np.linalg.norm(off[:, :2], axis=1))) if len(off) else 0.0
    fitting = [times for times in MAGNIFIED if times * middle <= ARROW]
    return max(fitting, default=1)


def _draw_sizes(axes: Axes, seen: _Seen) -> None:
    """Draw how far off each foot was, leg by leg, in the order in which they were measured."""
    names = list(dict.fromkeys(seen.legs))
    across = np.zeros(len(seen.legs))
    for column, name in enumerate(names):
        rows = [row for row, each in enumerate(seen.legs) if each == name]
        across[rows] = column + np.linspace(-0.5, 0.5, len(rows) + 2)[1:-1] * COLUMN
    for errors in (seen.before, seen.after):
        sizes = np.maximum(1e3 * np.linalg.norm(errors.off, axis=1), SMALLEST)
        axes.plot(across, sizes, 'o', color=errors.colour, markersize=5)
        axes.plot(across[seen.suspect], sizes[seen.suspect], 'o', **AROUND)
        for column, name in enumerate(names):
            own = np.array([each == name for each in seen.legs]) & ~seen.suspect
            if own.any():
                middle = float(np.median(sizes[own]))
                axes.hlines(middle, column - 0.4, column + 0.4, color=errors.colour, linewidth=1)
    axes.set_yscale('log')
    axes.yaxis.set_major_formatter('{x:g}')
    axes.set_xticks(range(len(names)), [name.replace('_', ' ') for name in names])
    axes.set(
        ylabel='off by (mm)',
        title='distance of each foot from where it was expected; a line is the middle one of a leg',
        xlim=(-0.6, len(names) - 0.4),
    )
    axes.grid(alpha=0.3, axis='y', which='both')
