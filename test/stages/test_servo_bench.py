# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One servo at a time: no pulse without a word, none beyond what was allowed, every answer true.

`watched_bench.WatchedBench` judges every tick of every test here.
"""

from collections.abc import Callable, Iterable
from itertools import pairwise
from math import inf, nan
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board import Boards, BoardSpec, Reaction, SilenceAction
from leg_kinematics.board.simulated.line import SimulatedDriver
from leg_kinematics.board.simulated.true_servo import TrueServo
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.outputs import output_of
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.servo_bench import ServoBench, servo_ranges
from leg_kinematics.chain.supply import GONE_FOR
from leg_kinematics.chain.values import Answer, Level
from leg_kinematics.errors import RefusedError
from leg_kinematics.robot import Robot

if TYPE_CHECKING:
    from test.stepped_bench import TICK
    from test.watched_bench import (
        LATE,
        LONGEST_LOOK,
        OUTPUTS,
        RAMP,
        ROUNDING,
        WIDEST,
        A,
        B,
        C,
        WatchedBench,
        seek_stop,
    )
else:
    from stepped_bench import TICK
    from watched_bench import (
        LATE,
        LONGEST_LOOK,
        OUTPUTS,
        RAMP,
        ROUNDING,
        WIDEST,
        A,
        B,
        C,
        WatchedBench,
        seek_stop,
    )

S = PowerState


@pytest.fixture
def watched() -> WatchedBench:
    """Return a bench on which nothing has been done yet."""
    return WatchedBench()


@pytest.fixture
def powered(watched: WatchedBench) -> WatchedBench:
    """Return a bench whose servo A stands at 1500 us, and is free by 100 us on either side."""
    watched.bring_up()
    assert watched.allow(A, 1400.0, 1600.0).success
    return watched


# ---- every order in every state


def closed(watched: WatchedBench) -> None:
    """Do nothing."""


def waiting(watched: WatchedBench) -> None:
    """Look for boards one of which is off."""
    watched.lines['right'].switch_off()
    watched.bench.open()
    watched.run(0.2)


def unpowered(watched: WatchedBench) -> None:
    """Find the boards."""
    watched.bench.open()
    watched.run(0.2)


def powering(watched: WatchedBench) -> None:
    """Order power, which takes a tick or two."""
    unpowered(watched)
    assert watched.power(A).success


def at_rest(watched: WatchedBench) -> None:
    """Power a servo, and let it be free around."""
    watched.bring_up()
    assert watched.allow(A, 1400.0, 1600.0).success


def moving(watched: WatchedBench) -> None:
    """Let it be on its way."""
    at_rest(watched)
    assert watched.bench.go(A, 1590.0).success
    watched.run(0.1)


def going_to_look(watched: WatchedBench) -> None:
    """Let it be on its way beyond its free range."""
    at_rest(watched)
    assert watched.look(A, 40.0).success
    watched.run(0.6)
    assert watched.pulses_us[A] > 1600.0


def looking(watched: WatchedBench) -> None:
    """Let it be there."""
    going_to_look(watched)
    watched.arrive()


def looked(watched: WatchedBench) -> None:
    """Let it be back from there, with nothing said."""
    looking(watched)
    watched.settle()


def lost(watched: WatchedBench) -> None:
    """Cut the cable of a powered servo."""
    at_rest(watched)
    watched.lines['left'].cut = True
    watched.until(lambda: watched.bench.state is S.LOST)


def holding(watched: WatchedBench) -> None:
    """Find a servo powered by somebody before us, which keeps its pulses."""
    other = WatchedBench()
    other.bring_up()
    watched.follow_on(other)
    unpowered(watched)
    assert watched.pulses_us == {A: 1500.0}


def released(watched: WatchedBench) -> None:
    """Release."""
    at_rest(watched)
    assert watched.release().success


def released_unheard(watched: WatchedBench) -> None:
    """Release over a line that is cut."""
    at_rest(watched)
    watched.lines['left'].cut = True
    assert not watched.release().success


Way = Callable[[WatchedBench], None]

WAYS: dict[Way, PowerState] = {
    closed: S.UNPOWERED,
    waiting: S.UNPOWERED,
    unpowered: S.UNPOWERED,
    powering: S.ENABLING,
    at_rest: S.FOLLOWING,
    moving: S.FOLLOWING,
    going_to_look: S.FOLLOWING,
    looking: S.FOLLOWING,
    looked: S.FOLLOWING,
    lost: S.LOST,
    holding: S.HOLDING,
    released: S.RELEASED,
    released_unheard: S.RELEASED,
}

AT_EASE: set[Way] = {at_rest, moving, going_to_look, looking, looked}

#: The orders, and in which states each is obeyed.
ORDERS: dict[str, tuple[Callable[[WatchedBench], Answer], set[Way]]] = {
    'open': (lambda each: each.bench.open(), set(WAYS)),
    'power A': (lambda each: each.power(A), {unpowered, holding, released}),
    'power B': (lambda each: each.power(B), {unpowered, released}),
    'power C': (lambda each: each.power(C), {unpowered, released}),
    'allow': (lambda each: each.allow(A, 1350.0, 1650.0), set(WAYS)),
    'go': (lambda each: each.bench.go(A, 1450.0), AT_EASE),
    'go B': (lambda each: each.bench.go(B, 1500.0), set()),
    'nudge': (lambda each: each.bench.nudge(A, -5.0), AT_EASE - {going_to_look, looking}),
    'halt': (lambda each: each.bench.halt(), set(WAYS) - {powering, lost, holding}),
    'look': (lambda each: each.look(A, -30.0), AT_EASE - {going_to_look, looking}),
    'free': (lambda each: each.free(A), {looking, looked}),
    'touched': (lambda each: each.bench.touched(A), {going_to_look, looking, looked}),
    'release': (
        lambda each: each.release(),
        set(WAYS) - {closed, waiting, lost, released_unheard},
    ),
    'close': (lambda each: each.bench.close(), set(WAYS) - {released_unheard}),
}


@pytest.mark.parametrize('way', WAYS, ids=lambda way: way.__name__)
@pytest.mark.parametrize('order', ORDERS)
def test_every_order_in_every_state(watched: WatchedBench, way: Way, order: str) -> None:
    """It is obeyed or refused with a reason, as the table says, and the watch is content."""
    way(watched)
    assert watched.bench.state is WAYS[way]
    give, obeyed_in = ORDERS[order]
    ons = watched.ons
    answer = give(watched)
    assert answer.success == (way in obeyed_in), answer.words
    assert answer.words
    watched.run(LONGEST_LOOK)
    assert watched.ons <= ons + (way is powering or order.startswith('power'))
    # Whatever it was, afterwards everything can be mended and gone on with.
    watched.lines['left'].cut = False
    if watched.lines['right'].board is None:
        watched.lines['right'].switch_on()
    watched.bench.open()
    watched.run(0.8)
    watched.release()
    watched.until(lambda: watched.bench.release_confirmed)
    assert not watched.pulses_us
    assert watched.power(C).success
    watched.settle()
    assert list(watched.pulses_us) == [C]


# ---- first pulses


def test_nothing_has_pulses_before_it_is_asked_for(watched: WatchedBench) -> None:
    """Opening the boards powers nothing, however long one waits."""
    watched.bench.open()
    watched.run(5.0)
    assert (watched.ons, watched.pulses_us) == (0, {})
    assert str(watched.bench.condition()) == 'no servo has pulses'


def test_the_first_pulse_is_the_one_that_was_asked_for(watched: WatchedBench) -> None:
    """Exactly that, from the first one on; the answer says that the servo runs there."""
    watched.bench.open()
    watched.run(0.1)
    answer = watched.power(A, 1320.0)
    assert 'full speed' in answer.words
    watched.until(lambda: bool(watched.pulses_us))
    assert watched.pulses_us == {A: 1320.0}


def test_the_first_pulse_is_the_middle_unless_told(watched: WatchedBench) -> None:
    """Of the description, and later of what is known to be free."""
    watched.bring_up(A)
    assert watched.release().success
    watched.bench.open()
    assert watched.power(B).success
    watched.settle()
    assert watched.pulses_us == {B: 1500.0}
    assert watched.release().success
    assert watched.allow(A, 1500.0, 1580.0).success
    assert watched.power(A).success
    watched.settle()
    assert watched.pulses_us == {A: 1540.0}


@pytest.mark.parametrize('pulse', [499.9, 2500.1, nan, inf, -inf, 0.0])
def test_a_first_pulse_beyond_the_description_is_refused(
    watched: WatchedBench, pulse: float
) -> None:
    """And the servo stays off."""
    watched.bench.open()
    watched.run(0.1)
    answer = watched.power(A, pulse)
    assert not answer.success
    assert '500 to 2500 us' in answer.words
    watched.run(1.0)
    assert not watched.ons


def test_after_a_release_the_free_range_still_holds(powered: WatchedBench) -> None:
    """The first pulse must be within it, too."""
    assert powered.release().success
    assert not powered.power(A, 1601.0).success
    assert powered.power(A, 1600.0).success


def test_two_servos_are_refused(powered: WatchedBench) -> None:
    """On the same board and on another one, with the one that has pulses named."""
    for other in (B, C):
        answer = powered.power(other)
        assert not answer.success
        assert 'one servo at a time: channel 3 of board left has pulses' in answer.words
    powered.run(1.0)
    assert list(powered.pulses_us) == [A]
    assert powered.release().success
    assert powered.power(C).success


def test_two_servos_that_were_found_powered_are_only_released(watched: WatchedBench) -> None:
    """Nothing is sent to them, and none is taken over."""
    ranges = dict.fromkeys(OUTPUTS, WIDEST)
    before = Boards(
        [BoardSpec(name, 'simulated', name) for name in watched.lines],
        ranges,
        SilenceAction(Reaction.HOLD, 60.0),
        new_driver=lambda port: SimulatedDriver(watched.lines[port]),
        threads=False,
    )
    before.open()
    before.step()
    before.set_pulses({A: 1200.0, B: 1800.0}, before.status())
    before.enable([A, B])
    before.step()
    before.close()
    assert watched.pulses_us == {A: 1200.0, B: 1800.0}
    bench = watched.bench
    bench.open()
    for _ in range(5):
        watched.boards.step()
        watched.now += TICK
        bench.step(watched.now)
    assert bench.condition().state == 'servos were found with pulses'
    for output in OUTPUTS:
        assert 'channel 3 of board left' in bench.power(output).words
        assert not bench.power(output).success
        assert not bench.go(output, 1500.0).success
    assert watched.pulses_us == {A: 1200.0, B: 1800.0}
    assert bench.release().success
    assert watched.pulses_us == {}


def test_a_servo_of_no_map_is_refused(watched: WatchedBench) -> None:
    """By name."""
    watched.bench.open()
    watched.run(0.1)
    assert 'channel 7 of board left is not in the servo maps' in watched.power(('left', 7)).words
    assert not watched.allow(('left', 7), 1400.0, 1600.0).success


def test_a_board_that_does_not_power_a_servo_is_given_up(watched: WatchedBench) -> None:
    """So that it does not power it when nobody expects it any more."""

    class Refusing(SimulatedDriver):
        def enable(self, channels: Iterable[int]) -> None:
            del channels
            raise RefusedError('not today')

    watched = WatchedBench(new_driver=Refusing)
    watched.bench.open()
    watched.run(0.1)
    assert watched.power(A).success
    watched.settle()
    assert watched.bench.state is S.RELEASED
    assert 'not today' in str(watched.bench.condition())


# ---- moving


def test_it_moves_at_the_ramp_and_not_faster(powered: WatchedBench) -> None:
    """100 us at 200 us/s take half a second."""
    assert powered.bench.go(A, 1600.0).success
    begun = powered.now
    powered.settle()
    assert powered.now - begun == pytest.approx(100.0 / RAMP, abs=LATE)
    assert powered.pulses_us == {A: 1600.0}
    assert powered.bench.pulse_us == 1600.0


def test_another_order_on_the_way_turns_it_without_a_jump(powered: WatchedBench) -> None:
    """From wherever it is just then."""
    assert powered.bench.go(A, 1600.0).success
    powered.run(0.2)
    assert powered.bench.go(A, 1400.0).success
    powered.settle()
    assert powered.pulses_us == {A: 1400.0}


def test_nudges_add_up(powered: WatchedBench) -> None:
    """However quickly they come, and only within the range."""
    for _ in range(3):
        assert powered.bench.nudge(A, 30.0).success
    assert not powered.bench.nudge(A, 30.0).success
    powered.settle()
    assert powered.pulses_us == {A: 1590.0}


def test_halt_stops_it_where_it_is(powered: WatchedBench) -> None:
    """At once."""
    assert powered.bench.go(A, 1600.0).success
    powered.run(0.2)
    stands = powered.pulses_us
    assert powered.bench.halt().success
    powered.run(1.0)
    assert powered.pulses_us == stands
    assert not powered.bench.busy


@pytest.mark.parametrize('pulse', [1399.9, 1600.1, nan, inf, -inf])
def test_what_is_not_known_to_be_free_is_refused(powered: WatchedBench, pulse: float) -> None:
    """And nothing moves."""
    answer = powered.bench.go(A, pulse)
    assert not answer.success
    assert '1400 to 1600 us' in answer.words
    powered.run(1.0)
    assert powered.pulses_us == {A: 1500.0}


@pytest.mark.parametrize(
    ('lowest', 'highest'),
    [(499.0, 1600.0), (1400.0, 2501.0), (1600.0, 1400.0), (nan, 1600.0), (1400.0, nan)],
)
def test_no_word_reaches_beyond_the_description(
    powered: WatchedBench, lowest: float, highest: float
) -> None:
    """Nor is it a word if it is no range; what was allowed stays."""
    assert not powered.allow(A, lowest, highest).success
    assert powered.bench.free_range(A) == (1400.0, 1600.0)


def test_the_range_does_not_leave_the_servo_outside(powered: WatchedBench) -> None:
    """Nor the place where it is going."""
    assert not powered.allow(A, 1510.0, 1600.0).success
    assert powered.bench.go(A, 1450.0).success
    assert not powered.allow(A, 1460.0, 1600.0).success
    powered.settle()
    assert powered.allow(A, 1440.0, 1460.0).success
    assert not powered.bench.go(A, 1500.0).success


def test_a_late_step_is_no_jump(powered: WatchedBench) -> None:
    """A program that was stopped for a while goes on from where it was.

    Within the silence of the board, here half a second.
    """
    assert powered.bench.go(A, 1600.0).success
    powered.run(0.1)
    before = powered.pulses_us[A]
    powered.now += 0.4
    powered.bench.step(powered.now)
    assert powered.bench.pulse_us is not None
    assert powered.bench.pulse_us - before <= RAMP * 0.05 + ROUNDING


# ---- stops


@pytest.mark.parametrize('gain', [11.0, -8.0])
@pytest.mark.parametrize('stops', [(1330.0, 1777.0), (1420.0, 1512.0), (1000.0, 1666.6)])
def test_stops_are_found_in_shrinking_steps(gain: float, stops: tuple[float, float]) -> None:
    """The ends come within a step of the stops, and no stop is pressed by more than one step.

    How far the joint presses is measured at the simulated shaft.
    """
    watched = WatchedBench(truths={A: TrueServo(3, gain=gain, slack=1.0, stops_us=stops)})
    watched.bring_up()
    for upward in (True, False):
        pressed = seek_stop(watched, A, upward=upward)
        assert any(depth for _, depth in pressed)
        assert all(depth <= step <= 50.0 for step, depth in pressed)
        for (earlier, depth), (later, _) in pairwise(pressed):
            assert later <= (earlier / 2.0 if depth else earlier)
        assert watched.bench.longest_step(A, upward=upward) == 0.0
    free = watched.bench.free_range(A)
    assert free is not None
    assert stops[0] <= free[0] <= stops[0] + 10.0
    assert stops[1] - 10.0 <= free[1] <= stops[1]
    assert 'is found' in watched.look(A, 5.0).words
    assert not watched.look(A, -5.0).success


def test_where_no_stop_is_the_description_ends_the_range() -> None:
    """A step is never longer than what is left."""
    watched = WatchedBench()
    watched.bring_up(A, 2380.0)
    assert seek_stop(watched, A, upward=True) == [(50.0, 0.0), (50.0, 0.0), (20.0, 0.0)]
    free = watched.bench.free_range(A)
    assert free == (2380.0, 2500.0)
    assert not watched.look(A, 1.0).success


def test_a_look_ends_by_itself(powered: WatchedBench) -> None:
    """A person who was called away does not leave a servo pressing; the verdict may come later."""
    assert powered.look(A, 50.0).success
    powered.arrive()
    assert powered.pulses_us == {A: 1650.0}
    begun = powered.now
    powered.settle()
    assert powered.now - begun <= LONGEST_LOOK + LATE
    powered.run(30.0)
    assert powered.pulses_us == {A: 1600.0}
    assert powered.free(A).success
    assert powered.bench.free_range(A) == (1400.0, 1650.0)
    assert powered.bench.go(A, 1650.0).success


def test_a_verdict_of_free_needs_the_whole_way(powered: WatchedBench) -> None:
    """And counts once."""
    assert powered.look(A, 50.0).success
    powered.run(0.1)
    assert 'still on its way' in powered.free(A).words
    powered.arrive()
    assert powered.free(A).success
    assert not powered.free(A).success
    assert powered.bench.free_range(A) == (1400.0, 1650.0)


@pytest.mark.parametrize('order', ['go', 'halt', 'release'])
def test_a_look_that_was_broken_off_has_no_verdict(powered: WatchedBench, order: str) -> None:
    """Nobody saw all of its way."""
    assert powered.look(A, 50.0).success
    powered.run(0.6)
    assert {
        'go': lambda: powered.bench.go(A, 1500.0),
        'halt': powered.bench.halt,
        'release': powered.release,
    }[order]().success
    powered.settle()
    assert not powered.free(A).success
    assert powered.bench.free_range(A) == (1400.0, 1600.0)


@pytest.mark.parametrize('step', [50.1, -50.1, 0.0, nan, inf])
def test_steps_that_are_too_long_are_refused(powered: WatchedBench, step: float) -> None:
    """So is one that leads nowhere."""
    assert not powered.look(A, step).success
    powered.run(1.0)
    assert powered.pulses_us == {A: 1500.0}


def test_after_a_touch_long_steps_are_refused(powered: WatchedBench) -> None:
    """Towards that end; the other one is not concerned. A new word begins anew."""
    assert powered.look(A, 40.0).success
    powered.arrive()
    assert powered.bench.touched(A).success
    powered.settle()
    assert powered.bench.longest_step(A, upward=True) == 20.0
    assert powered.bench.longest_step(A, upward=False) == 50.0
    assert not powered.look(A, 21.0).success
    assert powered.allow(A, 1400.0, 1600.0).success
    assert powered.bench.longest_step(A, upward=True) == 50.0


# ---- release


def test_release_at_every_tick_of_a_ramp() -> None:
    """All pulses are off when it is answered, and nothing comes on by itself."""
    for tick in range(round(150.0 / RAMP / TICK) + 3):
        watched = WatchedBench()
        watched.bring_up()
        assert watched.allow(A, 1500.0, 1650.0).success
        assert watched.bench.go(A, 1650.0).success
        for _ in range(tick):
            watched.step()
        assert watched.release().success
        assert not watched.pulses_us
        watched.run(0.3)
        assert watched.ons == 1
        assert watched.bench.state is S.RELEASED


def test_a_release_that_cannot_be_told_is_not_claimed(powered: WatchedBench) -> None:
    """It is repeated until it is heard, and until then nothing is powered."""
    powered.lines['left'].cut = True
    answer = powered.release()
    assert not answer.success
    assert 'board left was told and has not confirmed it' in answer.words
    powered.run(2.0)
    assert 'board left was told and has not confirmed it' in powered.bench.condition().detail
    assert not powered.power(C).success
    powered.lines['left'].cut = False
    powered.until(lambda: powered.bench.release_confirmed)
    assert not powered.pulses_us
    assert powered.power(C).success


# ---- boards, lines, supply


@pytest.mark.parametrize('off_for', [TICK, 0.2, 3.0])
def test_a_board_that_restarts_powers_nothing(powered: WatchedBench, off_for: float) -> None:
    """It is told, and a person's word is needed."""
    assert powered.bench.go(A, 1600.0).success
    powered.run(0.2)
    powered.lines['left'].switch_off()
    powered.run(off_for)
    powered.lines['left'].switch_on()
    powered.run(3.0)
    assert powered.bench.state is S.RELEASED
    condition = powered.bench.condition()
    assert condition.level is Level.WARN
    assert 'restarted' in condition.detail or 'without pulses' in condition.detail
    assert (powered.ons, powered.pulses_us) == (1, {})
    assert powered.power(A, 1500.0).success
    powered.settle()
    assert powered.pulses_us == {A: 1500.0}


def test_a_program_that_was_stopped_finds_its_servo_released(powered: WatchedBench) -> None:
    """The board did it, by its reaction to silence; only a word powers it again."""
    assert powered.bench.go(A, 1600.0).success
    powered.run(0.1)
    for _ in range(round(1.0 / TICK)):
        powered.now += TICK
        for line in powered.lines.values():
            line.advance(powered.now)
        powered.boards.step()
    powered.run(1.0)
    assert (powered.bench.state, powered.pulses_us) == (S.RELEASED, {})
    assert 'a board restarted or released them' in powered.bench.condition().detail
    assert powered.power(A).success
    powered.settle()
    assert list(powered.pulses_us) == [A]


def test_a_short_cut_makes_the_servo_wait(powered: WatchedBench) -> None:
    """And go on from there; the watch sees no jump."""
    assert powered.bench.go(A, 1600.0).success
    powered.run(0.1)
    powered.lines['left'].cut = True
    powered.run(0.3)
    assert powered.bench.pulse_us is not None
    assert powered.bench.pulse_us < 1500.0 + 0.2 * RAMP
    powered.lines['left'].cut = False
    powered.settle()
    assert powered.pulses_us == {A: 1600.0}


@pytest.mark.parametrize('unplug', [False, True])
def test_after_a_long_cut_a_held_servo_waits_for_a_word(*, unplug: bool) -> None:
    """It stays where its board had it, and goes on from there at the ramp."""
    watched = WatchedBench(Reaction.HOLD)
    at_rest(watched)
    assert watched.bench.go(A, 1600.0).success
    watched.run(0.1)
    line = watched.lines['left']
    line.plugged, line.cut = not unplug, True
    watched.run(3.0)
    condition = watched.bench.condition()
    assert (condition.level, condition.state) == (Level.ERROR, 'lost board left')
    assert 'may still have pulses' in condition.detail
    stands = watched.pulses_us
    line.plugged, line.cut = True, False
    watched.run(1.0)
    assert watched.bench.state is S.HOLDING
    assert watched.pulses_us == stands
    assert not watched.bench.go(A, 1600.0).success
    assert watched.power(A, 1580.0).success
    watched.settle()
    assert watched.pulses_us == {A: 1580.0}
    assert watched.ons == 1


def test_after_a_long_cut_a_board_has_released_its_servo(powered: WatchedBench) -> None:
    """By its reaction to silence; it is told when the line is mended."""
    powered.lines['left'].cut = True
    powered.run(3.0)
    assert not powered.pulses_us
    powered.lines['left'].cut = False
    powered.run(1.0)
    assert powered.bench.state is S.RELEASED
    assert powered.ons == 1


def test_a_servo_that_was_lost_in_a_look_is_released_when_it_is_found() -> None:
    """It may be pressing against its stop."""
    watched = WatchedBench(Reaction.HOLD)
    looking(watched)
    watched.lines['left'].cut = True
    watched.run(2.0)
    assert watched.pulses_us == {A: 1640.0}
    watched.lines['left'].cut = False
    watched.run(1.0)
    assert not watched.pulses_us
    assert 'beyond where its joint is known to be free' in watched.bench.condition().detail


def test_a_look_that_a_cut_broke_off_has_no_verdict() -> None:
    """The servo has not gone its way, even if it goes on afterwards."""
    watched = WatchedBench(Reaction.HOLD)
    at_rest(watched)
    assert watched.look(A, 40.0).success
    watched.run(0.1)
    watched.lines['left'].cut = True
    watched.run(2.0)
    watched.lines['left'].cut = False
    watched.run(1.0)
    assert watched.power(A).success
    watched.settle()
    assert not watched.free(A).success
    assert watched.bench.free_range(A) == (1400.0, 1600.0)


def test_another_board_that_comes_with_pulses_ends_it_all(powered: WatchedBench) -> None:
    """Two servos never stay powered, even if somebody plugs in a board that holds one."""
    other = WatchedBench(Reaction.HOLD)
    other.now = powered.now
    for line in other.lines.values():
        line.advance(powered.now)
    other.bring_up(C)
    powered.lines['right'].board = other.lines['right'].board
    bench = powered.bench
    for _ in range(round(2.0 / TICK)):
        powered.now += TICK
        for line in powered.lines.values():
            line.advance(powered.now)
        powered.boards.step()
        bench.step(powered.now)
    assert bench.state is S.RELEASED
    assert powered.pulses_us == {}


def test_without_a_supply_nothing_is_powered(powered: WatchedBench) -> None:
    """The servo is released when its supply goes, and stays so when it comes back.

    The time is that of the chain, `GONE_FOR`; a board is asked every 0.2 s.
    """
    left = powered.lines['left']
    left.set_supply(7400)
    powered.run(1.0)
    assert powered.pulses_us == {A: 1500.0}
    left.set_supply(300)
    powered.run(GONE_FOR + 0.3)
    assert (powered.bench.state, powered.pulses_us) == (S.RELEASED, {})
    assert 'the supply of the servos is gone' in powered.bench.condition().detail
    assert 'the supply of the servos is gone' in powered.power(A).words
    left.set_supply(7400)
    powered.run(1.0)
    assert not powered.pulses_us
    assert powered.power(A).success


def test_a_low_supply_is_told(powered: WatchedBench) -> None:
    """As long as the board says so."""
    board = powered.lines['left'].board
    assert board is not None
    powered.lines['left'].set_supply(5000)
    board.low_voltage = True
    powered.run(0.5)
    condition = powered.bench.condition()
    assert (condition.level, condition.state) == (
        Level.WARN,
        'low supply voltage of board left',
    )


@pytest.mark.parametrize('reaction', Reaction)
def test_leaving_a_powered_servo_is_told_as_it_will_be(reaction: Reaction) -> None:
    """The boards then act by their reaction to silence."""
    watched = WatchedBench(reaction)
    at_rest(watched)
    answer = watched.bench.close()
    holds = reaction is Reaction.HOLD
    assert ('STILL POWERED' in answer.words) == holds
    watched.run(1.0)
    assert bool(watched.pulses_us) == holds
    assert not watched.bench.go(A, 1550.0).success


@pytest.mark.parametrize('way', [going_to_look, looking])
def test_leaving_in_a_look_releases_the_servo(way: Way) -> None:
    """It may be pressing against its stop, and nobody would bring it back."""
    watched = WatchedBench(Reaction.HOLD)
    way(watched)
    assert watched.bench.close().words == 'no servo has pulses'
    assert not watched.pulses_us


def test_the_ranges_are_those_of_the_description(bracken: Robot, servo_maps: ServoMaps) -> None:
    """500 to 2500 us for all servos of bracken, as its file says."""
    ranges = servo_ranges(bracken, servo_maps.by_joint)
    assert ranges == dict.fromkeys(map(output_of, servo_maps.maps), (500.0, 2500.0))


def test_a_bench_needs_no_map_of_every_joint(bracken: Robot, servo_maps: ServoMaps) -> None:
    """Only what is connected is on it."""
    one = {name: each for name, each in servo_maps.by_joint.items() if name == 'right_rear_tibia'}
    ranges = servo_ranges(bracken, one)
    assert list(ranges) == [output_of(servo_maps.by_joint['right_rear_tibia'])]
    boards = Boards([], ranges, SilenceAction(Reaction.RELEASE, 0.5), threads=False)
    assert str(ServoBench(boards, ranges).condition()) == 'closed'
