# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Hold-to-run over a link that does its worst, in simulated time.

What must hold is said of hand and robot alone, and knows nothing of words: a robot moves only by a
hand that held within the last half second, and never goes on once it has stopped under a hand that
did not let go. The half second is our own (`LASTS`).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Offset, Twist
from leg_kinematics.remote.holding import LASTS, RATE, Holding, Pressing
from leg_kinematics.remote.words import Order, OrderWord, State, Word
from leg_kinematics.teleop.steering import Wanted

T = TypeVar('T')

TICK = 0.01
AHEAD = Twist(0.03)

#: Clocks of robot and driver have nothing to do with each other.
ROBOT_CLOCK, DRIVER_CLOCK, START = 5000.0, 17.0, 123_456_789

#: When a message arrives that is sent at an instant, s; nothing where it is lost, twice where it is
#: repeated.
Way = Callable[[float], Sequence[float]]


def at_once(now: float) -> Sequence[float]:
    """Have a message arrive in the same tick."""
    return [now]


@dataclass
class Scene:
    """A hand, a driver's end, a link and a robot's end, in ticks of 10 ms.

    Attributes
    ----------
    held
        Whether the hand holds, by tick.
    moved
        Whether the robot moves, by tick.

    """

    there: Way = at_once
    back: Way = at_once
    holding: Holding = field(default_factory=lambda: Holding(START))
    pressing: Pressing = field(default_factory=lambda: Pressing('anna.00000001'))
    held: list[bool] = field(default_factory=list)
    moved: list[bool] = field(default_factory=list)
    _words: list[tuple[float, Word]] = field(default_factory=list)
    _states: list[tuple[float, State]] = field(default_factory=list)

    @property
    def now(self) -> float:
        """Simulated time, s."""
        return len(self.held) * TICK

    def live(self, seconds: float, *, held: bool) -> None:
        """Let time pass, with the hand like that."""
        every = round(1.0 / (RATE * TICK))
        for _ in range(round(seconds / TICK)):
            now = self.now
            here, there = DRIVER_CLOCK + now, ROBOT_CLOCK + now
            if len(self.held) % every == 0:
                state = self.holding.state(there)
                self._states += [(at, state) for at in self.back(now)]
            for state in _due(self._states, now):
                self.pressing.hear(state, here)
            if len(self.held) % every == 1:
                wanted = Wanted(AHEAD if held else Twist())
                word = self.pressing.word(wanted, here, held=held)
                if word is not None:
                    self._words += [(at, word) for at in self.there(now)]
            for word in _due(self._words, now):
                self.holding.hear('anna.00000001', word, there)
            self.held.append(held)
            self.moved.append(bool(self.holding.step(there)))


def _due(waiting: list[tuple[float, T]], now: float) -> list[T]:
    """Take what arrives now, in the order of arrival."""
    due = sorted((each for each in waiting if each[0] <= now), key=lambda each: each[0])
    waiting[:] = [each for each in waiting if each[0] > now]
    return [each for _, each in due]


def assert_moved_by_the_hand_alone(scene: Scene) -> None:
    """See that every motion has a hand behind it, and none comes back under the same hand."""
    reach = round((LASTS + TICK) / TICK)
    stopped_under_this_hand = False
    for tick, (held, moved) in enumerate(zip(scene.held, scene.moved, strict=True)):
        if moved:
            assert any(scene.held[max(0, tick - reach) : tick + 1]), f'tick {tick}: no hand held'
            assert not stopped_under_this_hand, f'tick {tick}: it went on by itself'
        before = tick > 0 and scene.moved[tick - 1]
        if not held:
            stopped_under_this_hand = False
        elif before and not moved:
            stopped_under_this_hand = True


def test_a_robot_moves_while_the_hand_holds() -> None:
    """From the first words on, without a break, and not once it lets go."""
    scene = Scene()
    scene.live(0.3, held=False)
    scene.live(2.0, held=True)
    scene.live(1.0, held=False)
    assert not any(scene.moved[:30])
    assert all(scene.moved[40:230])
    assert not any(scene.moved[240:])
    assert scene.holding.refused == 0


@pytest.mark.parametrize('seconds', [0.2, 1.0, 10.0, 60.0])
@pytest.mark.parametrize('kept', [False, True], ids=['lost', 'delivered after it'])
def test_a_cut_stops_it_in_half_a_second(seconds: float, *, kept: bool) -> None:
    """Whether the words of the cut are lost or all come at once when it ends."""
    start, end = 1.0, 1.0 + seconds

    def way(now: float) -> Sequence[float]:
        if start <= now < end:
            return [end] if kept else []
        return [now]

    scene = Scene(way, way)
    scene.live(0.5, held=False)
    scene.live(end + 1.5 - scene.now, held=True)
    assert_moved_by_the_hand_alone(scene)
    assert all(scene.moved[65:100])
    if seconds < LASTS - 0.1:
        assert all(scene.moved[100:])
        return
    still = scene.moved.index(False, 100) * TICK
    assert start < still <= start + LASTS + TICK
    assert not any(scene.moved[round(still / TICK) :])
    scene.live(0.2, held=False)
    scene.live(0.3, held=True)
    assert scene.moved[-1]


def test_one_way_is_enough_to_stop_it() -> None:
    """Where the robot is heard but does not hear, and the other way round."""
    for there, back in ((1.0, 9.0), (9.0, 1.0)):
        scene = Scene(
            lambda now, until=there: [now] if now < until else [],  # type: ignore[misc]
            lambda now, until=back: [now] if now < until else [],  # type: ignore[misc]
        )
        scene.live(0.3, held=False)
        scene.live(3.0, held=True)
        assert_moved_by_the_hand_alone(scene)
        assert scene.moved[95]
        assert not any(scene.moved[round((1.0 + LASTS) / TICK) + 1 :])


def test_a_link_slower_than_half_a_second_moves_nothing() -> None:
    """Every word on it is too old."""
    scene = Scene(lambda now: [now + 0.3], lambda now: [now + 0.3])
    scene.live(1.0, held=False)
    scene.live(3.0, held=True)
    assert not any(scene.moved)
    assert scene.holding.refused > 50


def test_a_hand_that_held_before_the_robot_was_there_moves_nothing() -> None:
    """It has to let go first."""
    scene = Scene(back=lambda now: [now] if now >= 1.0 else [])
    scene.live(2.0, held=True)
    assert not any(scene.moved)
    scene.live(0.1, held=False)
    scene.live(0.2, held=True)
    assert scene.moved[-1]


@pytest.mark.parametrize('later', [True, False])
def test_a_robot_that_starts_anew_does_not_take_up_a_press(*, later: bool) -> None:
    """Whether its beats go on from a larger or from a smaller number."""
    scene = Scene()
    scene.live(0.3, held=False)
    scene.live(0.5, held=True)
    assert scene.moved[-1]
    scene.holding = Holding(START + 10**9 if later else 55)
    scene.live(1.5, held=True)
    assert not any(scene.moved[81:])
    scene.live(0.2, held=False)
    scene.live(0.3, held=True)
    assert scene.moved[-1]


#: Ways that lose, delay and repeat: what becomes of the n-th message is the n-th entry, s.
FATES = st.just([[0.0]]) | st.lists(
    st.lists(st.sampled_from([0.0, 0.02, 0.1, 0.3, 0.45, 0.7, 2.0]), max_size=2), min_size=1
)


#: When the link is cut, and for how long, s.
CUTS = st.lists(
    st.tuples(st.sampled_from([0.4, 0.9, 1.3, 2.1]), st.sampled_from([0.2, 0.6, 2.5])), max_size=2
)


def way_of(fates: list[list[float]], cuts: list[tuple[float, float]]) -> Way:
    """Have one message after the other meet its fate, over and over, and none cross a cut."""
    count = [0]

    def way(now: float) -> Sequence[float]:
        if any(start <= now < start + seconds for start, seconds in cuts):
            return []
        count[0] += 1
        return [now + delay for delay in fates[count[0] % len(fates)]]

    return way


@given(
    there=FATES,
    back=FATES,
    cuts=CUTS,
    hands=st.lists(st.tuples(st.booleans(), st.sampled_from([0.05, 0.2, 0.8, 2.0])), max_size=8),
)
def test_nothing_that_a_link_does_moves_a_robot_without_a_hand(
    there: list[list[float]],
    back: list[list[float]],
    cuts: list[tuple[float, float]],
    hands: list[tuple[bool, float]],
) -> None:
    """Lost, late, repeated, in another order and cut, under a hand that comes and goes."""
    scene = Scene(way_of(there, cuts), way_of(back, cuts))
    scene.live(0.2, held=False)
    for held, seconds in hands:
        scene.live(seconds, held=held)
    scene.live(1.0, held=False)
    assert_moved_by_the_hand_alone(scene)
    assert not scene.moved[-1]


def word(holding: Holding, now: float, press: int, number: int | None = None) -> Word:
    """Make a word that answers the robot at once."""
    beat = holding.beat(now)
    return Word(beat, beat if number is None else number, press, AHEAD if press else Twist())


def test_one_drives_and_the_press_of_another_ends() -> None:
    """Who comes second has to press anew once the first has let go; both are told."""
    holding = Holding(START)
    first, second = holding.beat(1.0), holding.beat(1.0) + 1
    assert holding.hear('anna', word(holding, 1.0, first), 1.0)
    assert not holding.hear('bert', word(holding, 1.1, second), 1.1)
    assert holding.state(1.1).why['bert'] == 'anna drives'
    assert holding.state(1.1).ended['bert'] == second
    holding.hear('anna', word(holding, 1.2, 0), 1.2)
    assert not holding.hear('bert', word(holding, 1.3, second), 1.3)
    assert holding.hear('bert', word(holding, 1.4, holding.beat(1.4)), 1.4)
    assert holding.driver == 'bert'


def test_whoever_is_stopped_has_to_press_anew() -> None:
    """An order ends the press, and a standstill is told for a while."""
    holding = Holding(START)
    press = holding.beat(1.0)
    holding.hear('anna', word(holding, 1.0, press), 1.0)
    holding.stop('release was ordered', 1.1)
    assert holding.step(1.1) == Twist()
    assert not holding.hear('anna', word(holding, 1.2, press), 1.2)
    assert holding.state(1.2).why['anna'] == 'release was ordered'
    assert holding.step(2.0) is None


def test_a_number_that_no_beat_led_to_counts_for_nothing() -> None:
    """Or one word would keep a driver out for ever."""
    holding = Holding(START)
    assert not holding.hear('anna', word(holding, 1.0, START + 10**9), 1.0)
    assert not holding.hear('anna', word(holding, 1.1, START + 1100, START + 10**9), 1.1)
    assert holding.hear('anna', word(holding, 1.2, holding.beat(1.2)), 1.2)


def test_an_offset_comes_with_a_press_alone() -> None:
    """A body that leans is moved as well."""
    pressing = Pressing('anna.00000001')
    pressing.hear(State(START), 1.0)
    wanted = Wanted(Twist(), Offset((0.0, 0.0, 0.01)))
    let_go = pressing.word(wanted, 1.0, held=False)
    pressed = pressing.word(wanted, 1.1, held=True)
    assert let_go is not None
    assert pressed is not None
    assert (let_go.press, let_go.offset) == (0, None)
    assert (pressed.press, pressed.offset) == (START, wanted.offset)


@pytest.mark.parametrize('order', list(Order))
def test_an_order_is_for_now(order: Order) -> None:
    """It is refused a second later, or without a state to answer, but for stop and release."""
    holding, pressing = Holding(START), Pressing('anna.00000001')
    whenever = order in {Order.STOP, Order.RELEASE}
    if whenever:
        assert pressing.order(order, 1.0).beat == 0
    else:
        with pytest.raises(CommandError, match='nothing is heard from the robot'):
            pressing.order(order, 1.0)
    pressing.hear(holding.state(1.0), 1.0)
    told = pressing.order(order, 1.1)
    assert holding.refusal_of_order(told, 1.9) == ''
    late = holding.refusal_of_order(told, 2.2)
    assert late == (
        '' if whenever else f'{order} was not obeyed: it came 1.2 s late, and it is meant for now'
    )
    assert bool(holding.refusal_of_order(OrderWord(0, order), 1.0)) is not whenever
