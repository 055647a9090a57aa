# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Legs on the bench, moved by joint angles: plans, stands, and whatever takes power or lines away.

`watched_legs.WatchedLegs` judges every tick. Numbers beside it are computed by hand.
"""

from collections.abc import Callable
from itertools import pairwise
from math import nan
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board import Reaction
from leg_kinematics.calibration.foot_readings import LegStand
from leg_kinematics.chain.power import PowerState as S
from leg_kinematics.chain.supply import GONE_FOR
from leg_kinematics.chain.values import Level
from leg_kinematics.identification.leg_bench import LegBench
from leg_kinematics.solver import Trajectory

if TYPE_CHECKING:
    from test.stepped_bench import TICK
    from test.watched_legs import LEFT, LEGS, RIGHT, SPEED, WatchedLegs
else:
    from stepped_bench import TICK
    from watched_legs import LEFT, LEGS, RIGHT, SPEED, WatchedLegs

COXA, FEMUR, TIBIA = LEFT


@pytest.fixture
def powered() -> WatchedLegs:
    """Legs that have their pulses and are at rest."""
    watched = WatchedLegs()
    watched.bring_up()
    return watched


def angle(watched: WatchedLegs, joint: str) -> float:
    """Tell where a joint shall be, rad."""
    angles = watched.bench.angles
    assert angles is not None
    return angles[joint]


def stand(watched: WatchedLegs, leg: str = LEGS[0]) -> LegStand:
    """Wait until a leg is known to stand."""
    watched.until(lambda: watched.bench.stand(leg) is not None)
    known = watched.bench.stand(leg)
    assert known is not None
    return known


# ---- power


def test_nothing_has_pulses_without_a_word() -> None:
    """Boards are found, and that is all."""
    watched = WatchedLegs()
    assert str(watched.bench.condition()) == 'closed'
    assert watched.power().words == 'not powered: no board is open'
    assert watched.bench.open().success
    watched.run(2.0)
    assert (watched.ons, watched.pulses_us) == (0, {})
    assert str(watched.bench.condition()) == 'no leg has pulses'
    assert watched.bench.angles is None
    assert watched.bench.stand(LEGS[0]) is None
    assert not watched.go({COXA: 0.1}).success


def test_legs_are_powered_one_after_another_at_rest() -> None:
    """The watch sees that each first pulse is that of the resting posture."""
    watched = WatchedLegs()
    watched.bench.open()
    watched.run(0.1)
    answer = watched.power()
    assert 'keep hands away' in answer.words
    assert watched.bench.busy
    watched.until(lambda: bool(watched.pulses_us))
    assert {name for name, _ in watched.pulses_us} == {'left'}
    assert watched.power().success
    watched.settle()
    assert watched.ons == 6
    assert str(watched.bench.condition()) == 'at rest'
    assert watched.bench.angles == watched.resting
    coxa, femur, tibia = (watched.pulse(each, watched.resting[each]) for each in LEFT)
    assert stand(watched) == LegStand(LEGS[0], (coxa, femur, tibia), (0, 0, 0))


def test_a_bench_has_the_legs_that_it_is_told() -> None:
    """The other one gets no pulses, and its board is not looked for."""
    watched = WatchedLegs(legs=LEGS[:1])
    watched.bring_up()
    assert {name for name, _ in watched.pulses_us} == {'left'}
    assert not watched.go({RIGHT[0]: 0.1}).success
    assert watched.go({COXA: 0.1}).success
    watched.settle()


def test_it_does_what_the_survey_wants(powered: WatchedLegs) -> None:
    """By its type, and by every name in it."""
    bench: LegBench = powered.bench
    assert bench.obeys
    assert bench.speeds == dict.fromkeys((*LEFT, *RIGHT), pytest.approx(0.95 * SPEED))


# ---- plans


def test_a_plan_goes_from_waypoint_to_waypoint(powered: WatchedLegs) -> None:
    """All joints leave and arrive together, and pass through rest at each; the others stay.

    The way between is the quintic of Flash and Hogan (Journal of Neuroscience 5, 1985): half of
    it at half of the time, at 1.875 of the mean speed. By hand: 0.4 rad at no more than
    0.95 * 0.5 rad/s take 1.579 s.
    """
    femur, tibia = angle(powered, FEMUR), angle(powered, TIBIA)
    answer = powered.go({FEMUR: femur + 0.4}, {COXA: 0.2, TIBIA: tibia + 0.4})
    assert answer.words == 'the legs move for 3.2 s'
    others = [angle(powered, joint) for joint in RIGHT]
    way: list[tuple[float, ...]] = []
    while powered.bench.busy:
        way.append(tuple(angle(powered, joint) for joint in LEFT))
        powered.step()
    assert [angle(powered, joint) for joint in RIGHT] == others
    assert [angle(powered, joint) for joint in LEFT] == [0.2, femur + 0.4, tibia + 0.4]
    assert len(way) * TICK == pytest.approx(3.158, abs=2 * TICK)
    for coxa, at_femur, at_tibia in way:
        assert coxa == pytest.approx(0.5 * (at_tibia - tibia), abs=1e-9)
        assert at_femur == femur + 0.4 or at_tibia == pytest.approx(tibia, abs=1e-9)
    half = way[round(0.5 * 1.579 / TICK)][1]
    assert half == pytest.approx(femur + 0.2, abs=0.5 * SPEED * TICK)
    fastest = max((b[1] - a[1]) / TICK for a, b in pairwise(way))
    assert fastest == pytest.approx(0.95 * SPEED, rel=2e-3)
    stands = stand(powered)
    assert stands.pulses_us == tuple(powered.pulse(joint, angle(powered, joint)) for joint in LEFT)


def test_a_short_way_takes_its_time(powered: WatchedLegs) -> None:
    """A foot that is lowered by a tenth of a millimetre does not twitch."""
    assert powered.go({FEMUR: angle(powered, FEMUR) - 0.001}).words == 'the legs move for 0.4 s'
    powered.settle()
    assert powered.go({FEMUR: angle(powered, FEMUR)}).words == 'the legs are there already'
    powered.settle()
    assert powered.go().words == 'the legs are there already'


@pytest.mark.parametrize(
    ('waypoint', 'words'),
    [
        ({'left_middle_knee': 0.0}, 'left_middle_knee'),
        ({}, 'names nothing'),
        ({COXA: 3.0}, 'beyond the'),
        ({COXA: nan}, 'not finite'),
    ],
)
def test_of_a_wrong_plan_nothing_is_done(
    powered: WatchedLegs, waypoint: dict[str, float], words: str
) -> None:
    """Not even the first waypoint, which is right."""
    before = powered.pulses_us
    answer = powered.go({FEMUR: angle(powered, FEMUR) + 0.1}, waypoint)
    assert not answer.success
    assert answer.words.startswith('not moved: ')
    assert words in answer.words
    powered.run(0.5)
    assert powered.pulses_us == before
    assert not powered.bench.busy


def test_a_plan_is_not_replaced_on_its_way(powered: WatchedLegs) -> None:
    """Who wants something else stops first, or waits."""
    assert powered.go({COXA: 0.3}).success
    powered.run(0.3)
    answer = powered.go({COXA: 0.0})
    assert not answer.success
    assert 'still moving' in answer.words
    powered.settle()
    assert angle(powered, COXA) == 0.3


def line(start: float, goal: float, seconds: float) -> Trajectory:
    """Make a cubic way from rest to rest, whose peak speed is 1.5 of the mean, by hand."""
    return Trajectory((0.0, seconds), ((start,), (goal,)), ((0.0,), (0.0,)))


def test_a_trajectory_is_followed(powered: WatchedLegs) -> None:
    """As it is; the joints that it does not name stay where they are."""
    before = dict(powered.bench.angles or {})
    assert powered.follow([COXA], line(0.0, 0.3, 1.0)).success
    powered.run(0.5)
    assert angle(powered, COXA) == pytest.approx(0.15, abs=SPEED * TICK)
    powered.settle()
    assert powered.bench.angles == before | {COXA: 0.3}


@pytest.mark.parametrize(
    ('joints', 'trajectory', 'words'),
    [
        ([COXA], line(0.1, 0.3, 1.0), 'begins at 0.1000 rad'),
        ([COXA], line(0.0, 0.33, 1.0), 'would move at 0.495 rad/s'),
        ([COXA, FEMUR], line(0.0, 0.3, 1.0), 'needs as many columns'),
        (['coxa'], line(0.0, 0.3, 1.0), 'unknown names: coxa'),
        ([COXA], Trajectory((0.0, 1.0), ((0.0,), (0.1,)), ((0.0,), (0.1,))), 'ends at rest'),
        ([COXA], line(0.0, 3.0, 60.0), 'beyond the'),
    ],
)
def test_a_wrong_trajectory_is_refused(
    powered: WatchedLegs, joints: list[str], trajectory: Trajectory, words: str
) -> None:
    """One that begins elsewhere, is too fast, or does not end at rest."""
    before = powered.pulses_us
    answer = powered.follow(joints, trajectory)
    assert not answer.success
    assert words in answer.words
    powered.run(0.2)
    assert powered.pulses_us == before


# ---- where servos stand


def test_the_side_is_that_of_the_last_way(powered: WatchedLegs) -> None:
    """It is sure after 30 us: by hand 0.05 rad are 31.8 us at 636.62 us/rad, and 0.04 are 25.5.

    The pulse of this coxa falls where its angle rises, as its map says.
    """
    assert stand(powered).sides == (0, 0, 0)
    for goal, side in ((0.05, 1), (0.01, 0), (-0.01, -1), (-0.015, -1), (0.03, 0), (0.05, 1)):
        assert powered.go({COXA: goal}).success
        powered.settle()
        assert stand(powered).sides == (-side, 0, 0), goal


def test_a_leg_does_not_stand_while_it_moves(powered: WatchedLegs) -> None:
    """Not before its board has said that it puts these pulses out, either."""
    assert powered.go({COXA: 0.1}).success
    while powered.bench.moving:
        assert powered.bench.stand(LEGS[0]) is None
        powered.step()
    assert powered.bench.stand(LEGS[0]) is None
    powered.run(0.3)
    assert powered.bench.stand(LEGS[0]) is not None
    powered.lines['left'].cut = True
    powered.run(0.1)
    assert powered.bench.stand(LEGS[0]) is None


# ---- stopping


def test_stop_at_every_tick_of_a_way() -> None:
    """The joints come to rest on their way, stay, and go on only by the next order."""
    watched = WatchedLegs()
    watched.bring_up()
    femur, tibia = angle(watched, FEMUR), angle(watched, TIBIA)
    for ticks in range(0, 50, 3):
        assert watched.go({FEMUR: femur + 0.1, TIBIA: tibia + 0.05}).success
        watched.run(ticks * TICK)
        assert watched.stop().success
        watched.settle()
        at = angle(watched, FEMUR) - femur, angle(watched, TIBIA) - tibia
        assert at[0] == pytest.approx(2.0 * at[1], abs=1e-9)
        watched.run(0.5)
        assert (angle(watched, FEMUR) - femur, angle(watched, TIBIA) - tibia) == at
        assert watched.go({FEMUR: femur, TIBIA: tibia}).success
        watched.settle()


def test_stop_while_legs_are_powered_powers_no_more() -> None:
    """Those that have pulses keep them, and the rest wants a word."""
    watched = WatchedLegs()
    watched.bench.open()
    watched.run(0.1)
    assert watched.power().success
    watched.until(lambda: bool(watched.pulses_us))
    assert watched.stop().success
    watched.run(1.0)
    assert watched.ons == 3
    assert watched.bench.condition().state == 'holding'
    assert not watched.go({COXA: 0.1}).success
    assert watched.power().success
    watched.settle()
    assert watched.ons == 6
    assert watched.bench.obeys


def test_release_at_every_tick_of_a_way() -> None:
    """All pulses are off when it is answered, and nothing comes on by itself."""
    for ticks in range(0, 40, 4):
        watched = WatchedLegs()
        watched.bring_up()
        assert watched.go({COXA: 0.1}).success
        watched.run(ticks * TICK)
        assert watched.release().success
        assert not watched.pulses_us
        watched.run(0.3)
        assert watched.ons == 6
        assert watched.bench.state is S.RELEASED
        assert watched.bench.angles is None
        assert watched.power().success
        watched.settle()
        assert watched.bench.angles == watched.resting


def test_a_release_that_cannot_be_told_is_not_claimed(powered: WatchedLegs) -> None:
    """It is repeated until it is heard, and until then nothing is powered."""
    powered.lines['left'].cut = True
    answer = powered.release()
    assert not answer.success
    assert 'board left was told and has not confirmed it' in answer.words
    powered.run(2.0)
    assert 'board left was told and has not confirmed it' in powered.bench.condition().detail
    assert not powered.power().success
    powered.lines['left'].cut = False
    powered.until(lambda: powered.bench.release_confirmed)
    assert not powered.pulses_us
    assert powered.power().success


# ---- boards, lines, supply


@pytest.mark.parametrize('off_for', [TICK, 0.2, 3.0])
def test_after_a_board_has_restarted_a_word_is_needed(powered: WatchedLegs, off_for: float) -> None:
    """The other leg stays where it is; then the lost one comes back at rest, and it follows."""
    assert powered.go({COXA: 0.3, RIGHT[0]: 0.3}).success
    powered.run(0.4)
    powered.lines['left'].switch_off()
    powered.run(off_for)
    powered.lines['left'].switch_on()
    powered.run(3.0)
    condition = powered.bench.condition()
    assert (condition.level, condition.state) == (Level.WARN, 'holding')
    assert 'restarted' in condition.detail
    assert {name for name, _ in powered.pulses_us} == {'right'}
    assert powered.ons == 6
    assert not powered.go({COXA: 0.1}).success
    right = angle(powered, RIGHT[0])
    assert 0.0 < right < 0.3
    assert powered.power().success
    powered.settle()
    assert (powered.ons, angle(powered, RIGHT[0])) == (9, right)
    assert angle(powered, COXA) == powered.resting[COXA]


def test_a_short_cut_makes_the_legs_wait(powered: WatchedLegs) -> None:
    """They come to rest on their way, and finish it once they are heard, however late."""
    for cut_for in (0.2, 0.4):
        for goal in (0.3, 0.0):
            assert powered.go({COXA: goal}).success
            powered.run(0.8)
            powered.lines['left'].cut = True
            powered.run(cut_for)
            powered.lines['left'].cut = False
            powered.settle()
            assert angle(powered, COXA) == goal
            assert stand(powered).pulses_us[0] == powered.pulse(COXA, goal)


@pytest.mark.parametrize('unplug', [False, True])
def test_after_a_long_cut_held_legs_wait_for_a_word(*, unplug: bool) -> None:
    """They stay where their boards had them; what was planned before is over."""
    watched = WatchedLegs(Reaction.HOLD)
    watched.bring_up()
    assert watched.go({COXA: 0.3}).success
    watched.run(0.6)
    line = watched.lines['left']
    line.plugged, line.cut = not unplug, True
    watched.run(3.0)
    condition = watched.bench.condition()
    assert (condition.level, condition.state) == (Level.ERROR, 'lost board left')
    assert 'may still have pulses' in condition.detail
    assert watched.bench.angles is None
    stands = watched.pulses_us
    line.plugged, line.cut = True, False
    watched.run(2.0)
    assert watched.bench.state is S.HOLDING
    assert watched.pulses_us == stands
    assert not watched.go({COXA: 0.1}).success
    assert watched.power().words == 'the legs have their pulses, and stay where they are'
    watched.run(1.0)
    assert watched.pulses_us == stands
    assert watched.ons == 6
    assert watched.go({COXA: 0.1}).success
    watched.settle()
    assert angle(watched, COXA) == 0.1


def test_after_a_long_cut_a_board_has_released_its_leg(powered: WatchedLegs) -> None:
    """By its reaction to silence; nothing comes on when the line is mended."""
    powered.lines['left'].cut = True
    powered.run(3.0)
    assert powered.power().words == 'not powered: board left cannot be reached'
    powered.lines['left'].cut = False
    powered.run(1.0)
    assert {name for name, _ in powered.pulses_us} == {'right'}
    assert powered.bench.state is S.HOLDING
    assert powered.ons == 6


def test_a_program_that_was_stopped_finds_its_legs_released(powered: WatchedLegs) -> None:
    """The boards did it; only a word powers them again."""
    assert powered.go({COXA: 0.3}).success
    powered.run(0.2)
    for _ in range(round(1.0 / TICK)):
        powered.now += TICK
        for line in powered.lines.values():
            line.advance(powered.now)
    powered.run(1.0)
    assert (powered.bench.state, powered.pulses_us) == (S.RELEASED, {})
    assert powered.power().success
    powered.settle()
    assert powered.bench.obeys


def test_without_a_supply_nothing_is_powered(powered: WatchedLegs) -> None:
    """The legs are released when it goes, and stay so when it comes back.

    The time is that of the chain, `GONE_FOR`; a board is asked every 0.2 s.
    """
    left = powered.lines['left']
    left.set_supply(7400)
    powered.run(1.0)
    assert powered.bench.obeys
    left.set_supply(300)
    powered.run(GONE_FOR + 0.3)
    assert (powered.bench.state, powered.pulses_us) == (S.RELEASED, {})
    assert 'the supply of the servos is gone' in powered.bench.condition().detail
    answer = powered.power()
    assert not answer.success
    assert answer.words == 'not powered: the supply of the servos is gone: switch it on first'
    powered.run(1.0)
    left.set_supply(7400)
    powered.run(1.0)
    assert not powered.pulses_us
    assert powered.power().success


def test_a_low_supply_is_told(powered: WatchedLegs) -> None:
    """As long as the board says so."""
    board = powered.lines['left'].board
    assert board is not None
    powered.lines['left'].set_supply(5000)
    board.low_voltage = True
    powered.run(0.5)
    condition = powered.bench.condition()
    assert (condition.level, condition.state) == (Level.WARN, 'low supply voltage of board left')


# ---- leaving and coming back


@pytest.mark.parametrize('reaction', Reaction)
def test_leaving_powered_legs_is_told_as_it_will_be(reaction: Reaction) -> None:
    """The boards then act by their reaction to silence."""
    watched = WatchedLegs(reaction)
    watched.bring_up()
    answer = watched.bench.close()
    holds = reaction is Reaction.HOLD
    assert ('STILL POWERED' in answer.words) == holds
    assert LEGS[0] in answer.words
    watched.run(1.0)
    assert bool(watched.pulses_us) == holds
    assert not watched.bench.obeys
    assert not watched.go({COXA: 0.1}).success
    assert not watched.power().success
    assert not watched.bench.open().success


def test_an_unheard_release_is_told_on_leaving(powered: WatchedLegs) -> None:
    """Nobody would repeat it any more."""
    powered.lines['left'].cut = True
    powered.release()
    answer = powered.bench.close()
    assert not answer.success
    assert 'has not confirmed it' in answer.words


def test_legs_that_are_found_with_pulses_stay_where_they_are() -> None:
    """A bench before this one has left them so; the way from there is slow."""
    before = WatchedLegs(Reaction.HOLD)
    before.bring_up()
    assert before.go({COXA: 0.3}).success
    before.settle()
    before.run(0.1)
    before.bench.close()
    watched = WatchedLegs(Reaction.HOLD)
    watched.follow_on(before)
    stands = watched.pulses_us
    watched.bench.open()
    watched.run(0.5)
    assert watched.bench.condition().state == 'holding'
    assert watched.pulses_us == stands
    assert watched.power().success
    watched.run(0.5)
    assert watched.pulses_us == stands
    assert stand(watched).sides == (0, 0, 0)
    assert watched.go({COXA: 0.0}).success
    watched.settle()
    assert watched.ons == 0


@pytest.mark.parametrize('way', [WatchedLegs.stop, WatchedLegs.release, WatchedLegs.power])
def test_no_order_is_an_error_before_anything_is_open(
    way: Callable[[WatchedLegs], object],
) -> None:
    """It is answered, whatever it can do."""
    watched = WatchedLegs()
    way(watched)
    watched.run(0.5)
    assert watched.pulses_us == {}
