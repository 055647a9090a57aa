# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Who drives from a page, by a judge that knows only what the pages have said."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.chain.values import Answer
from leg_kinematics.gait import Offset
from leg_kinematics.teleop.layout import Act
from leg_kinematics.teleop.steering import STOP_TOLD_FOR
from leg_kinematics.view.control import Driving
from leg_kinematics.view.messages import DRIVER_SILENCE, Hold

ONE, OTHER = 1, 2

TICK = 0.02


@dataclass
class Hand:
    """A finger on one page, with the numbers that its page gives."""

    driving: Driving
    page: int = ONE
    press: int = 0
    sequence: int = 0
    now: float = 10.0

    def down(self, **more: Any) -> None:  # noqa: ANN401
        """Press anew."""
        self.press += 1
        self.held(**more)

    def held(self, *, late: float = 0.0, press: int = 0, **more: Any) -> None:  # noqa: ANN401
        """Say that the stick is held."""
        self.sequence += 1
        told = {'forward': 1.0} | more
        hold = Hold(press or self.press, self.sequence, self.now - late, **told)
        self.driving.hold(self.page, hold, self.now)

    def moves(self) -> bool:
        """Go on for a tick; tell whether the robot is to move."""
        self.now += TICK
        twist = self.driving.step(self.now).twist
        return twist is not None and bool(twist)


@pytest.fixture
def hand() -> Hand:
    """Be armed, with another page beside."""
    driving = Driving(offered=True)
    driving.come(ONE)
    driving.come(OTHER)
    driving.arm(ONE)
    return Hand(driving)


def test_a_held_stick_moves_and_one_let_go_stops_at_once(hand: Hand) -> None:
    """Standstill is told for a while, then nothing, so that others may drive."""
    hand.down()
    assert hand.moves()
    assert hand.driving.told(ONE).moving
    hand.driving.let_go(ONE, hand.press)
    assert not hand.moves()
    told = hand.driving.step(hand.now)
    assert told.twist is not None
    hand.now += STOP_TOLD_FOR + 0.1
    assert hand.driving.step(hand.now).twist is None


def test_full_deflection_is_the_speed_of_the_range(hand: Hand) -> None:
    """0.04 m/s slow and 0.12 m/s fast, as README has them for pads."""
    hand.down()
    assert hand.moves()
    twist = hand.driving.step(hand.now).twist
    assert twist is not None
    assert twist.x == pytest.approx(0.04)
    hand.held(fast=True, forward=0.0, turn=-1.0)
    twist = hand.driving.step(hand.now).twist
    assert twist is not None
    assert twist.x == 0.0
    assert twist.yaw == pytest.approx(-0.6)


def test_silence_stops_and_the_same_press_is_never_revived(hand: Hand) -> None:
    """Whatever comes of it later; the next one moves again."""
    hand.down()
    assert hand.moves()
    hand.now += DRIVER_SILENCE + 0.01
    hand.held()
    assert not hand.moves()
    assert hand.driving.told(ONE).press == hand.press
    assert 'nothing was heard' in hand.driving.told(ONE).words
    for _ in range(50):
        hand.held()
        assert not hand.moves()
    hand.down()
    assert hand.moves()


def test_a_page_that_lags_stops_though_it_speaks(hand: Hand) -> None:
    """It goes by what the driver sees."""
    hand.down()
    assert hand.moves()
    hand.held(late=DRIVER_SILENCE + 0.01)
    assert not hand.moves()
    assert '0.3 s old' in hand.driving.told(ONE).words
    hand.held()
    assert not hand.moves()


def test_what_has_been_seen_cannot_be_of_the_future(hand: Hand) -> None:
    """Somebody made it up."""
    hand.down(late=-1.0)
    assert not hand.moves()


ENDINGS = {
    'let go': lambda hand: hand.driving.let_go(ONE, hand.press),
    'a later one let go': lambda hand: hand.driving.let_go(ONE, hand.press + 3),
    'disarmed': lambda hand: hand.driving.disarm(ONE),
    'gone': lambda hand: hand.driving.leave(ONE),
    'release by another page': lambda hand: hand.driving.order(OTHER, 'release', hand.now),
    'release': lambda hand: hand.driving.order(ONE, 'release', hand.now),
    'crouch': lambda hand: hand.driving.order(ONE, 'crouch', hand.now),
    'stand': lambda hand: hand.driving.order(ONE, 'stand', hand.now),
}


@pytest.mark.parametrize('ending', ENDINGS)
def test_every_ending_stops_before_the_next_velocity(hand: Hand, ending: str) -> None:
    """And standstill is told."""
    hand.down()
    assert hand.moves()
    ENDINGS[ending](hand)
    wanted = hand.driving.step(hand.now)
    assert wanted.twist is not None
    assert not wanted.twist


def test_one_page_drives_at_a_time_and_the_other_is_told(hand: Hand) -> None:
    """Until it disarms."""
    hand.driving.arm(OTHER)
    assert hand.driving.refused == 1
    assert not hand.driving.told(OTHER).armed
    assert 'another page drives' in hand.driving.told(OTHER).words
    other = Hand(hand.driving, OTHER)
    other.down()
    assert not other.moves()
    hand.driving.disarm(ONE)
    hand.driving.arm(OTHER)
    assert hand.driving.told(OTHER).armed
    other.down()
    assert other.moves()


def test_a_page_that_is_gone_leaves_the_place_free(hand: Hand) -> None:
    """And what is known says so."""
    hand.driving.leave(ONE)
    assert 'is gone' in hand.driving.told(OTHER).words
    hand.driving.arm(OTHER)
    assert hand.driving.told(OTHER).armed


def test_orders_are_for_the_driver_and_release_for_everybody(hand: Hand) -> None:
    """What is refused is told with the reason."""
    assert hand.driving.order(ONE, 'stand', hand.now) is Act.STAND
    assert hand.driving.order(ONE, 'crouch', hand.now) is Act.CROUCH
    refused = hand.driving.order(OTHER, 'stand', hand.now)
    assert refused == Answer(success=False, words='this page is not armed')
    assert hand.driving.order(OTHER, 'release', hand.now) is Act.RELEASE


def test_where_nothing_is_offered_nothing_is_obeyed() -> None:
    """Not even release: pages only look."""
    driving = Driving(offered=False)
    driving.come(ONE)
    driving.arm(ONE)
    hand = Hand(driving)
    hand.down()
    assert not hand.moves()
    assert isinstance(driving.order(ONE, 'release', hand.now), Answer)
    assert not driving.told(ONE).offered


def test_the_body_leans_while_held_stays_and_goes_back_to_level(hand: Hand) -> None:
    """Half of the way to the bound in half of the time, as for pads; nothing walks meanwhile."""
    hand.driving.step(hand.now)
    hand.down(lean=True, forward=0.0, roll=1.0)
    offset = None
    for _ in range(50):
        hand.held(lean=True, forward=0.0, roll=1.0)
        hand.now += TICK
        wanted = hand.driving.step(hand.now)
        assert wanted.twist is not None
        assert not wanted.twist
        offset = wanted.offset or offset
    assert offset is not None
    assert offset.rpy[0] == pytest.approx(0.075, abs=0.005)
    hand.driving.let_go(ONE, hand.press)
    hand.down(lean=True, level=True, forward=0.0)
    hand.now += TICK
    assert hand.driving.step(hand.now).offset == Offset()


@dataclass
class Judge:
    """Knows what two pages have said, and by which press a robot may move."""

    driving: Driving
    now: float = 10.0
    armed: int | None = None
    press: dict[int, int] = field(default_factory=lambda: {ONE: 0, OTHER: 0})
    dead: dict[int, int] = field(default_factory=lambda: {ONE: 0, OTHER: 0})
    sequence: dict[int, int] = field(default_factory=lambda: {ONE: -1, OTHER: -1})
    held_at: float | None = None

    def pass_by(self, pause: float) -> None:
        """Let time pass; a press that was not heard of dies."""
        self.now += pause
        if self.held_at is not None and self.now - self.held_at > DRIVER_SILENCE:
            self.kill()

    def kill(self) -> None:
        """Know that no press of the armed page so far moves anything any more."""
        if self.armed is not None:
            self.dead[self.armed] = max(self.dead[self.armed], self.press[self.armed])
        self.held_at = None

    def arm(self, page: int) -> None:
        """Arm a page, unless another one is."""
        self.driving.arm(page)
        self.armed = self.armed or page

    def disarm(self, page: int) -> None:
        """Disarm it."""
        self.driving.disarm(page)
        self._lose(page)

    def leave(self, page: int) -> None:
        """Go, and come back as a new page."""
        self.driving.leave(page)
        self.driving.come(page)
        self._lose(page)
        self.press[page] = self.dead[page] = 0
        self.sequence[page] = -1

    def _lose(self, page: int) -> None:
        if self.armed == page:
            self.kill()
            self.armed = None

    def down(self, page: int) -> None:
        """Press anew."""
        self.press[page] += 1
        self.held(page)

    def held(self, page: int) -> None:
        """Go on with a press."""
        self.sequence[page] += 1
        self._say(page, self.press[page])
        if self.armed == page and self.press[page] > self.dead[page]:
            self.held_at = self.now

    def old_press(self, page: int) -> None:
        """Say the press before once more."""
        self.sequence[page] += 1
        self._say(page, self.press[page] - 1)

    def repeated(self, page: int) -> None:
        """Say the last message once more."""
        self._say(page, self.press[page])

    def late(self, page: int) -> None:
        """Go on, having seen nothing new for too long."""
        self.sequence[page] += 1
        self._say(page, self.press[page], late=DRIVER_SILENCE + 0.01)
        if self.armed == page:
            self.kill()

    def _say(self, page: int, press: int, late: float = 0.0) -> None:
        hold = Hold(press, self.sequence[page], self.now - late, forward=1.0)
        self.driving.hold(page, hold, self.now)

    def let_go(self, page: int) -> None:
        """Lift the finger."""
        self.driving.let_go(page, self.press[page])
        self.dead[page] = max(self.dead[page], self.press[page])
        if self.armed == page:
            self.held_at = None

    def stand(self, page: int) -> None:
        """Order something that only the driver may."""
        self.driving.order(page, 'stand', self.now)
        if self.armed == page:
            self.kill()

    def release(self, page: int) -> None:
        """Order what everybody may."""
        self.driving.order(page, 'release', self.now)
        self.kill()


ACTS = st.tuples(
    st.sampled_from(
        [
            Judge.arm,
            Judge.disarm,
            Judge.leave,
            Judge.down,
            Judge.held,
            Judge.old_press,
            Judge.repeated,
            Judge.late,
            Judge.let_go,
            Judge.stand,
            Judge.release,
        ]
    ),
    st.sampled_from([ONE, OTHER]),
    st.sampled_from([0.0, 0.01, 0.1, 0.25, 0.31, 1.0]),
)


@given(st.lists(ACTS, max_size=40))
def test_nothing_moves_but_by_a_living_press_of_the_armed_page(
    acts: list[tuple[Callable[[Judge, int], None], int, float]],
) -> None:
    """Whatever two pages say, in any order, however late."""
    judge = Judge(Driving(offered=True))
    judge.driving.come(ONE)
    judge.driving.come(OTHER)
    for act, page, pause in acts:
        judge.pass_by(pause)
        act(judge, page)
        may = judge.held_at is not None and judge.now - judge.held_at <= DRIVER_SILENCE
        twist = judge.driving.step(judge.now).twist
        assert may or not twist
        assert judge.driving.told(judge.armed or ONE).armed is (judge.armed is not None)


def test_the_judge_lets_a_living_press_move() -> None:
    """Or the test before would say nothing."""
    judge = Judge(Driving(offered=True))
    judge.driving.come(ONE)
    judge.arm(ONE)
    judge.down(ONE)
    assert judge.driving.step(judge.now).twist
