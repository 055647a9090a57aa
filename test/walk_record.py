# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A walk tick by tick, what must never happen in it, and its picture."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib import pyplot as plt
from numpy.typing import NDArray
from transforms3d.euler import euler2mat

from leg_kinematics.gait import BodyMotion
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, centre_of_mass, static_margin

Floats = NDArray[np.float64]

#: What a standing foot may move in `odom` by rounding, m.
AT_REST = 1e-9


@dataclass
class WalkRecord:
    """A walk tick by tick.

    Attributes
    ----------
    robot, legs
        Who walks.
    tick
        s. Where two rows lie farther apart, what was between them is not known.
    times
        Of the rows, s.
    feet, velocities
        Targets in `base_link`, m and m/s, one row a tick.
    standing
        Which feet stand.
    motions
        Of `base_link`.
    events
        Time and name of what happened, for the picture.

    """

    robot: Robot
    legs: tuple[LegSolver, ...]
    tick: float
    times: list[float] = field(default_factory=list)
    feet: list[Sequence[Vector]] = field(default_factory=list)
    velocities: list[Sequence[Vector]] = field(default_factory=list)
    standing: list[Sequence[bool]] = field(default_factory=list)
    motions: list[BodyMotion] = field(default_factory=list)
    events: list[tuple[float, str]] = field(default_factory=list)

    def add(
        self,
        time: float,
        feet: Sequence[Vector],
        velocities: Sequence[Vector],
        standing: Sequence[bool],
        motion: BodyMotion,
    ) -> None:
        """Append a tick."""
        self.times.append(time)
        self.feet.append(feet)
        self.velocities.append(velocities)
        self.standing.append(standing)
        self.motions.append(motion)

    def mark(self, event: str) -> None:
        """Remember that something happens now."""
        self.events.append((self.times[-1], event))

    def angles(self) -> Floats:
        """Joint angles, rad, shape (ticks, legs, 3); raises where a leg cannot go."""
        return np.array(
            [
                [leg.angles(foot) for leg, foot in zip(self.legs, row, strict=True)]
                for row in self.feet
            ]
        )

    def joint_speeds(self) -> Floats:
        """Share of each servo's no-load speed between two ticks, shape (ticks - 1, legs, 3)."""
        fastest = [[link.servo.speed for link in leg.links] for leg in self.robot.legs]
        ways = np.abs(np.diff(self.angles(), axis=0))
        speeds: Floats = ways / np.diff(self.times)[:, None, None] / fastest
        return speeds

    def in_odom(self) -> Floats:
        """Feet in `odom`, m, shape (ticks, legs, 3)."""
        return np.array(
            [
                np.array(feet) @ euler2mat(*motion.rpy, 'sxyz').T + motion.position
                for feet, motion in zip(self.feet, self.motions, strict=True)
            ]
        )

    def margins(self) -> Floats:
        """Return the static margin at each tick, m, by the weight of body and legs as they are."""
        margins = []
        for angles, feet, standing, motion in zip(
            self.angles(), self.in_odom(), self.standing, self.motions, strict=True
        ):
            centre = centre_of_mass(self.robot, self.legs, [tuple(row) for row in angles.tolist()])
            x, y, _ = euler2mat(*motion.rpy, 'sxyz') @ centre + motion.position
            ground = [(u, v) for (u, v, _), stands in zip(feet, standing, strict=True) if stands]
            margins.append(static_margin(ground, (float(x), float(y))))
        return np.array(margins)

    def check(self, *, acceleration: float, speed_share: float, margin: float, down: int) -> None:
        """Assert what holds in every walk.

        Parameters
        ----------
        acceleration
            Bound of that of any foot in `base_link`, m/s^2.
        speed_share
            Bound of any joint speed, as a share of its servo's.
        margin
            Least static margin, m.
        down
            Least number of standing feet.

        """
        velocities, feet = np.array(self.velocities), np.array(self.feet)
        known = np.diff(self.times) < 1.5 * self.tick
        steps = np.linalg.norm(np.diff(velocities, axis=0), axis=2)[known]
        assert steps.max() <= acceleration * self.tick, 'a jump in velocity'
        # The mean of both velocities misses at most a quarter of the change over the tick.
        mean = 0.5 * (velocities[1:] + velocities[:-1])
        jumps = np.linalg.norm(np.diff(feet, axis=0) - self.tick * mean, axis=2)[known]
        assert jumps.max() <= 0.25 * acceleration * self.tick**2, 'a jump in position'
        assert self.joint_speeds()[known].max() <= speed_share, 'faster than a servo may'
        assert self.margins().min() >= margin, 'nearly falls'
        standing = np.array(self.standing)
        assert standing.sum(axis=1).min() >= down, 'too few feet down'
        still = standing[1:] & standing[:-1] & known[:, None]
        moves = np.linalg.norm(np.diff(self.in_odom(), axis=0), axis=2)
        assert moves[still].max() <= AT_REST, 'a standing foot slips'

    def draw(self, path: Path) -> None:
        """Write a picture: feet from above; margin, elevation and joint speed over time."""
        mpl.use('Agg')
        figure, axes = plt.subplot_mosaic(
            [['above', 'margin'], ['above', 'feet'], ['above', 'speed']],
            figsize=(14, 7.5),
            layout='constrained',
        )
        feet, standing, times = self.in_odom(), np.array(self.standing), np.array(self.times)
        elevations = axes['feet']
        for leg, name in enumerate(self.robot.leg_names):
            x, y, z = feet[:, leg].T
            (line,) = axes['above'].plot(x, y, linewidth=0.8, label=name.replace('_', ' '))
            stands = standing[:, leg]
            axes['above'].plot(x[stands], y[stands], '.', color=line.get_color())
            elevations.plot(times, 1e3 * z, linewidth=0.9)
        body = np.array([motion.position for motion in self.motions])
        axes['above'].plot(body[:, 0], body[:, 1], color='black', linewidth=1.5, label='body')
        axes['above'].plot(*body[0, :2], 'o', color='black')
        axes['above'].set(xlabel='x in odom (m)', ylabel='y in odom (m)', aspect='equal')
        figure.legend(*axes['above'].get_legend_handles_labels(), loc='outside lower left', ncols=4)
        axes['margin'].plot(times, 1e3 * self.margins(), color='tab:blue')
        axes['margin'].plot(times, 10.0 * standing.sum(axis=1), color='tab:grey', linewidth=0.8)
        axes['margin'].axhline(0.0, color='tab:red', linestyle='--', linewidth=0.8)
        axes['margin'].set(ylabel='static margin (mm)\ngrey: feet down × 10')
        elevations.set(ylabel='elevation of the feet (mm)')
        axes['speed'].plot(times[1:], self.joint_speeds().max(axis=(1, 2)), color='tab:purple')
        axes['speed'].axhline(1.0, color='tab:red', linestyle='--', linewidth=0.8)
        axes['speed'].set(xlabel='time (s)', ylabel='fastest joint\nof its servo', ylim=(0.0, 1.1))
        for name in ('margin', 'feet', 'speed'):
            for time, event in self.events:
                axes[name].axvline(time, color='black', linestyle=':', linewidth=0.9)
                if name == 'margin':
                    axes[name].annotate(
                        event, (time, 1.0), xycoords=('data', 'axes fraction'), fontsize=8
                    )
        for each in axes.values():
            each.grid(alpha=0.3)
        figure.savefig(path, dpi=100)
        plt.close(figure)


@pytest.fixture
def new_record() -> type[WalkRecord]:
    """Give what makes records: tests cannot import each other."""
    return WalkRecord
