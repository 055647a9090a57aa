# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How often things happened in a recording: ticks, poses, frames."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from trajectory_msgs.msg import MultiDOFJointTrajectory

from leg_kinematics.board import Record
from leg_kinematics.nodes.translation import messages


@dataclass(frozen=True)
class Counts:
    """How often things happened.

    Attributes
    ----------
    gait_ticks
        In which the gait sent foot targets.
    gait_missed_ticks
        Between those, without any: the machine was busy elsewhere, or the walk paused.
    poses
        That the boards took.
    frames_refused
        That a board understood, and did not obey.
    frames_bad
        That came broken.

    """

    gait_ticks: int
    gait_missed_ticks: int
    poses: int
    frames_refused: int
    frames_bad: int


def counts(targets: Sequence[MultiDOFJointTrajectory], records: Sequence[Record]) -> Counts:
    """Count.

    Parameters
    ----------
    targets
        Everything that the gait published, two messages at least; their stamps lie whole ticks
        apart, mostly one.
    records
        The logs of the boards.

    """
    stamps = [messages.nanoseconds_of(each.header.stamp) for each in targets]
    intervals = np.diff(stamps)
    events = Counter(each.event for each in records)
    return Counts(
        gait_ticks=len(stamps),
        gait_missed_ticks=int(np.rint(intervals / np.median(intervals) - 1.0).sum()),
        poses=events['pose'],
        frames_refused=events['refused'],
        frames_bad=events['bad'],
    )
