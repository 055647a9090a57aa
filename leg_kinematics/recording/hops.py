# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How long messages of a run took from stage to stage, how evenly they came, what is missing."""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from leg_kinematics.chain.values import NANOSECONDS
from leg_kinematics.recording.bag.contents import Message
from leg_kinematics.recording.run import Run, stamp_of


@dataclass(frozen=True)
class Times:
    """How long something took, s.

    Attributes
    ----------
    count
        How often it was seen.
    median, p99, worst
        s.

    """

    count: int
    median: float
    p99: float
    worst: float

    @classmethod
    def of(cls, seconds: Sequence[float]) -> 'Times':
        """Sum up; one value at least."""
        median, p99, worst = np.percentile(seconds, [50, 99, 100])
        return cls(len(seconds), float(median), float(p99), float(worst))


@dataclass(frozen=True)
class TopicFigures:
    """How a topic came.

    Attributes
    ----------
    count
        Messages.
    lost
        That its sender numbered and the recording does not have; None where several sent.
    transit
        From sending to the recording.
    interval
        Between two sendings; None where there was one message.

    """

    count: int
    lost: int | None
    transit: Times
    interval: Times | None


def topic_figures(run: Run) -> dict[str, TopicFigures]:
    """Give the figures of every topic."""
    return {topic: _figures(messages) for topic, messages in sorted(run.topics.items())}


def hops(run: Run) -> dict[str, Times]:
    """Tell how long targets took from stage to stage; only what was recorded on both sides."""
    found = {}
    answered = {stamp_of(each): each.sent for each in reversed(run.of('joint_trajectory'))}
    solved = [
        (answered[stamp] - each.sent) / NANOSECONDS
        for each in run.of('foot_targets')
        if (stamp := stamp_of(each)) in answered
    ]
    if solved:
        found['foot_targets to joint_trajectory'] = Times.of(solved)
    # The joints come to a stamp in the order of the stamps.
    reached = [(report.stamp, at) for at, report in run.reports if report.stamp is not None]
    stamps = [stamp for stamp, _ in reached]
    followed = []
    for each in run.of('joint_trajectory'):
        stamp = stamp_of(each)
        place = bisect_left(stamps, stamp)
        if place < len(reached) and stamp:
            followed.append(reached[place][1] - run.instant(each.sent))
    if followed:
        found['joint_trajectory to the joints being there'] = Times.of(followed)
    return found


def _figures(messages: Sequence[Message]) -> TopicFigures:
    sent = [each.sent for each in messages]
    transit = Times.of([(each.received - each.sent) / NANOSECONDS for each in messages])
    intervals = np.diff(sent) / NANOSECONDS
    numbers = np.diff([each.sequence for each in messages])
    # Numbers of several senders go to and fro.
    lost = int((numbers - 1).sum()) if (numbers > 0).all() else None
    return TopicFigures(
        len(messages), lost, transit, Times.of(intervals.tolist()) if len(intervals) else None
    )
