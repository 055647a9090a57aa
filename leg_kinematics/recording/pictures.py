# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Pictures of a recorded walk."""

from itertools import pairwise
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib import pyplot as plt
from matplotlib.figure import Figure

from leg_kinematics.calibration import ServoMaps
from leg_kinematics.gait import Pose
from leg_kinematics.recording.walk import Walk
from leg_kinematics.robot import Robot


def draw(walk: Walk, robot: Robot, maps: ServoMaps, folder: Path) -> list[Path]:
    """Write the three pictures and return their paths."""
    mpl.use('Agg')
    pictures = {
        'feet.png': _draw_feet(walk, robot),
        'stance.png': _draw_stance(walk, robot),
        'pulses.png': _draw_pulses(walk, robot, maps),
    }
    for name, figure in pictures.items():
        figure.savefig(folder / name, dpi=110)
        plt.close(figure)
    return [folder / name for name in pictures]


def _draw_feet(walk: Walk, robot: Robot) -> Figure:
    figure, axes = plt.subplots(figsize=(10, 6.5), layout='constrained')
    poses = [Pose(row[0], row[1], row[2]) for row in walk.odom]
    index = np.clip(np.searchsorted(walk.odom_times, walk.pose_times), 0, len(poses) - 1)
    target = np.clip(np.searchsorted(walk.times, walk.pose_times), 0, len(walk.times) - 1)
    for leg, name in enumerate(robot.leg_names):
        world = np.array(
            [
                poses[i].place((feet[leg][0], feet[leg][1]))
                for i, feet in zip(index, walk.told_feet, strict=True)
            ]
        )
        stands = walk.standing[target, leg]
        (line,) = axes.plot(*world.T, linewidth=0.6, alpha=0.6)
        axes.plot(*world[stands].T, '.', color=line.get_color(), label=name.replace('_', ' '))
    axes.plot(walk.odom[:, 0], walk.odom[:, 1], color='black', linewidth=2, label='body')
    axes.plot(*walk.odom[0, :2], 'o', color='black', label='start')
    axes.plot(*walk.odom[-1, :2], 's', color='black', label='end')
    axes.set(
        xlabel='x in odom (m)',
        ylabel='y in odom (m)',
        title='Feet from above, decoded from the pulses: dots stand, lines swing',
        aspect='equal',
    )
    axes.legend(loc='upper left', bbox_to_anchor=(1.0, 1.0))
    axes.grid(alpha=0.3)
    return figure


def _draw_stance(walk: Walk, robot: Robot) -> Figure:
    figure, axes = plt.subplots(figsize=(12, 3.6), layout='constrained')
    seconds = walk.times - walk.times[0]
    for row in range(len(robot.legs)):
        edges = np.flatnonzero(np.diff(walk.standing[:, row].astype(int)))
        bounds = [0, *(edges + 1).tolist(), len(seconds) - 1]
        bars = [
            (seconds[a], seconds[b] - seconds[a])
            for a, b in pairwise(bounds)
            if walk.standing[a, row]
        ]
        axes.broken_barh(bars, (row - 0.4, 0.8), facecolors='tab:green')
    names = [name.replace('_', ' ') for name in robot.leg_names]
    axes.set_yticks(range(len(names)), names)
    axes.invert_yaxis()
    axes.set(xlabel='time (s)', title='Stance: a foot is on the ground where its bar is green')
    return figure


def _draw_pulses(walk: Walk, robot: Robot, maps: ServoMaps) -> Figure:
    columns = ('coxa', 'femur', 'tibia')
    figure, grid = plt.subplots(
        len(robot.legs),
        3,
        figsize=(13, 2.0 * len(robot.legs)),
        sharex=True,
        sharey=True,
        squeeze=False,
        layout='constrained',
    )
    seconds = walk.pose_times - walk.times[0]
    for joint, servo_map in enumerate(maps.maps):
        axes = grid[joint // 3][joint % 3]
        axes.plot(seconds, walk.pulses[:, joint], linewidth=0.7)
        for bound in (servo_map.lowest_us, servo_map.highest_us):
            axes.axhline(bound, color='tab:red', linestyle='--', linewidth=0.8)
        axes.set_title(servo_map.joint.replace('_', ' '), fontsize=8)
        axes.grid(alpha=0.3)
    for column in range(len(columns)):
        grid[-1][column].set_xlabel('time (s)')
    for row in grid:
        row[0].set_ylabel('pulse (µs)')
    figure.suptitle('Pulses told to the board, with the limits of the servo maps in red')
    return figure
