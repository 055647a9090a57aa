# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Pictures of a recorded run: what happened when, and where the feet were."""

from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib import pyplot as plt
from matplotlib.figure import Figure
from nav_msgs.msg import Odometry
from sensor_msgs.msg import MultiDOFJointState

from leg_kinematics.nodes.translation.cdr import message_of
from leg_kinematics.recording.bag.contents import Message
from leg_kinematics.recording.run import Run
from leg_kinematics.recording.timeline import stops, velocities

#: So many messages of a topic are drawn at most.
DRAWN = 4000


def draw_run(run: Run, folder: Path) -> list[Path]:
    """Write the pictures for which there are messages, and return their paths."""
    mpl.use('Agg')
    pictures = {'timeline.png': _draw_timeline(run)}
    if run.of('foot_states'):
        pictures['feet.png'] = _draw_feet(run)
    for name, figure in pictures.items():
        figure.savefig(folder / name, dpi=110)
        plt.close(figure)
    return [folder / name for name in pictures]


def _draw_timeline(run: Run) -> Figure:
    figure, (speeds, lag, states) = plt.subplots(
        3, 1, figsize=(11, 7), sharex=True, layout='constrained', height_ratios=(3, 2, 2)
    )
    sent = np.array(velocities(run)).reshape(-1, 3)
    speeds.plot(sent[:, 0], sent[:, 1], drawstyle='steps-post', label='asked for')
    odometry = _thinned(run, 'odom')
    moved = [
        (run.instant(each.received), message_of(each.data, Odometry).twist.twist.linear)
        for each in odometry
    ]
    speeds.plot([at for at, _ in moved], [np.hypot(v.x, v.y) for _, v in moved], label='walked')
    speeds.set(ylabel='speed (m/s)', title=f'Run in {run.namespace}: dashed lines are stops')
    speeds.legend(loc='upper left', bbox_to_anchor=(1.0, 1.0))
    lag.plot([at for at, _ in run.reports], [report.lag for _, report in run.reports])
    lag.set(ylabel='lag of the joints (rad)')
    names = sorted({each.name for each in run.statuses})
    for row, name in enumerate(names):
        of_node = [each for each in run.statuses if each.name == name]
        for level, colour in enumerate(('tab:green', 'tab:orange', 'tab:red')):
            at = [each.at for each in of_node if each.level == level]
            states.plot(at, [row] * len(at), '|', color=colour, markersize=12)
    states.set_yticks(range(len(names)), names)
    states.set(xlabel='time (s)', ylim=(-0.7, len(names) - 0.3))
    states.set_title('Reports of the nodes: green is well, orange a warning, red an error')
    for stop in stops(run):
        for axes in (speeds, lag, states):
            axes.axvline(stop.at, color='black', linestyle='--', linewidth=0.8)
    for axes in (speeds, lag, states):
        axes.grid(alpha=0.3)
    return figure


def _draw_feet(run: Run) -> Figure:
    figure, axes = plt.subplots(figsize=(8, 6.5), layout='constrained')
    said = [message_of(each.data, MultiDOFJointState) for each in _thinned(run, 'foot_states')]
    for leg, name in enumerate(said[0].joint_names):
        places = [each.transforms[leg].translation for each in said]
        axes.plot(
            [place.x for place in places],
            [place.y for place in places],
            linewidth=0.7,
            label=name.replace('_', ' '),
        )
    axes.set(
        xlabel='x in base_link (m)',
        ylabel='y in base_link (m)',
        title='Feet from above, seen from the body',
        aspect='equal',
    )
    axes.legend(loc='upper left', bbox_to_anchor=(1.0, 1.0))
    axes.grid(alpha=0.3)
    return figure


def _thinned(run: Run, topic: str) -> list[Message]:
    messages = run.of(topic)
    return list(messages[:: max(1, len(messages) // DRAWN)])
