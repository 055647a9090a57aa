# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How often things happened in a recording."""

import pytest
from trajectory_msgs.msg import MultiDOFJointTrajectory

from leg_kinematics.board import Record
from leg_kinematics.recording.counts import Counts, counts


def sent(milliseconds: int) -> MultiDOFJointTrajectory:
    """Make foot targets with a stamp."""
    message = MultiDOFJointTrajectory()
    message.header.stamp.sec, rest = divmod(milliseconds, 1000)
    message.header.stamp.nanosec = rest * 1_000_000
    return message


@pytest.mark.parametrize('jitter_us', [0, 400])
def test_ticks_are_missed_where_stamps_lie_farther_apart(jitter_us: int) -> None:
    """At 100 Hz, two ticks are missing after 1.01 s and one after 1.05 s; stamps may jitter."""
    targets = [sent(each) for each in (980, 990, 1000, 1010, 1040, 1050, 1070, 1080)]
    for message in targets[::2]:
        message.header.stamp.nanosec += jitter_us * 1000
    told = counts(targets, [])
    assert told == Counts(8, 3, poses=0, frames_refused=0, frames_bad=0)


def test_frames_are_counted_by_what_became_of_them() -> None:
    """What is no frame of a pose is none."""
    events = ('boot', 'hello', 'enable', 'pose', 'bad', 'pose', 'refused', 'pose', 'release', 'bad')
    told = counts([sent(0), sent(10)], [Record(0.0, event) for event in events])
    assert told == Counts(2, 0, poses=3, frames_refused=1, frames_bad=2)
