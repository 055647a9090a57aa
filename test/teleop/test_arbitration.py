# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whose velocity counts."""

import pytest

from leg_kinematics.chain.values import Level
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Twist
from leg_kinematics.teleop.arbitration import Arbitration, read_senders
from leg_kinematics.teleop.steering import STOP_TOLD_FOR

PAD, NAV = 'teleop/cmd_vel', 'nav/cmd_vel'
AHEAD, BACK, STILL = Twist(x=0.05), Twist(x=-0.02), Twist()
TICK = 0.05


class Road:
    """Senders that stream, in simulated time."""

    def __init__(self) -> None:
        """Begin with nobody."""
        self.arbitration = Arbitration(read_senders([f'{NAV}=10:0.5', f'{PAD}=100:0.5']))
        self.now = 5.0
        self.sent: Twist | None = None

    def run(self, ticks: int = 1, **velocities: Twist) -> Twist | None:
        """Have `pad` and `nav` stream for so many ticks; return what was sent on last."""
        for _ in range(ticks):
            self.now += TICK
            self.sent = None
            for name, twist in velocities.items():
                topic = {'pad': PAD, 'nav': NAV}[name]
                passed = self.arbitration.hear(topic, twist, self.now)
                self.sent = self.sent if passed is None else passed
            still = self.arbitration.step(self.now)
            self.sent = self.sent if still is None else still
        return self.sent

    @property
    def told(self) -> str:
        """What is told."""
        return str(self.arbitration.condition(self.now))


def test_the_highest_that_speaks_drives() -> None:
    """The lower one is refused, and goes on once the higher one has stood still and let go."""
    road = Road()
    assert road.run(nav=AHEAD) == AHEAD
    assert road.told == f'{NAV} drives'
    assert road.run(5, nav=AHEAD, pad=BACK) == BACK
    assert road.told == (f'{PAD} drives: {NAV} is refused: {PAD} drives, whose priority is higher')
    assert road.arbitration.condition(road.now).level is Level.WARN
    road.run(pad=STILL, nav=AHEAD)
    assert road.run(9, nav=AHEAD) is None
    assert road.run(3, nav=AHEAD) == AHEAD


def test_a_lost_operator_is_told_and_nobody_goes_on_by_himself() -> None:
    """Neither the robot's other driver nor the operator, whose link comes back as he holds on."""
    road = Road()
    road.run(5, pad=AHEAD, nav=BACK)
    assert road.run(12, nav=BACK) == STILL
    assert road.told.startswith(f'lost {PAD} in motion: stopped: {NAV} is refused: everybody was')
    for _ in range(40):
        assert not road.run(nav=BACK)
    for _ in range(40):
        assert not road.run(pad=AHEAD, nav=BACK)
    assert f'{PAD} is refused: it fell silent in motion, and must send a standstill' in road.told
    road.run(pad=STILL)
    assert road.run(pad=AHEAD) == AHEAD


def test_the_other_driver_goes_on_after_a_standstill_or_a_pause() -> None:
    """Of the robot that lost its operator."""
    road = Road()
    road.run(5, pad=AHEAD)
    road.run(12)
    road.run(nav=STILL)
    assert road.run(nav=AHEAD) == AHEAD
    road = Road()
    road.run(5, pad=AHEAD, nav=BACK)
    road.run(25)
    assert road.run(nav=AHEAD) == AHEAD


def test_standstill_is_sent_for_a_while_when_nobody_drives_any_more() -> None:
    """Then nothing is, so that somebody else may send."""
    road = Road()
    assert road.run() is None
    road.run(pad=AHEAD)
    # The time-out, standstill, and then no more.
    assert [road.run() for _ in range(10)] == [None] * 10
    standing = [road.run() for _ in range(30)]
    assert standing[0] == STILL
    assert sum(each is not None for each in standing) == pytest.approx(STOP_TOLD_FOR / TICK, abs=2)
    assert standing[-1] is None


def test_a_stop_is_always_allowed_and_does_not_stick() -> None:
    """Whoever drives, whoever asks; a sender counts again once it has paused."""
    road = Road()
    road.run(5, pad=AHEAD)
    answer = road.arbitration.stop(road.now)
    assert answer.success
    assert (
        answer.words
        == f'{PAD} was driving and is stopped; a sender counts again once it has paused'
    )
    assert road.run(30, pad=AHEAD) is None
    assert road.told.startswith(f'stopped by an order: {PAD} is refused: everybody was stopped')
    road.run(pad=STILL)
    assert road.run(pad=AHEAD) == AHEAD
    assert road.arbitration.stop(road.now).success
    road.run(12)
    assert road.run(pad=AHEAD) == AHEAD


@pytest.mark.parametrize(
    ('entries', 'words'),
    [
        (['pad'], "must list TOPIC=PRIORITY:TIMEOUT .* \\(got 'pad'\\)"),
        (['pad=1:0.01'], 'with a time-out in \\[0.05, 10\\] s'),
        (['pad=1:0.5', 'pad=2:0.5'], 'each topic once \\(got pad twice\\)'),
        (['pad=1:0.5', 'nav=1:0.5'], 'each priority once \\(got 1 twice\\)'),
    ],
)
def test_wrong_senders_are_refused(entries: list[str], words: str) -> None:
    """With an example of what was expected."""
    with pytest.raises(CommandError, match=words):
        read_senders(entries)


def test_without_entries_there_are_five() -> None:
    """Pad before keys before page before who drives from another machine before navigation."""
    topics = [each.topic for each in read_senders([])]
    assert topics == [PAD, 'drive/cmd_vel', 'view/cmd_vel', 'remote/cmd_vel', NAV]
