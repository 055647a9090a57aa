# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Following a stream: never faster than allowed, never a jump, evenly through jitter."""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import cos, floor, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.solver import StreamClock, Tracker, Trajectory
from leg_kinematics.solver.motion.tracker import (
    CHASE_AFTER,
    DELIVERIES_COMPARED,
    EVENED_OUT,
    EVENING_OUT_SHARE,
    SILENT_AFTER,
)

SPEEDS = (6.0, 3.0, 1.5)
CATCH_UP = 2.0
ACCELERATION = 100.0
RANGES = ((-3.0, 3.0),) * 3
TICK = 0.01
START = 100.0
REST = (0.0, 0.0, 0.0)

#: Of positions that are computed in another way, rad.
ROUNDING = 1e-9

angles = st.tuples(*[st.floats(-3.0, 3.0)] * 3)
rates = st.tuples(*[st.floats(-10.0, 10.0)] * 3)
#: A trajectory that arrives somewhere, at rest or moving.
arrivals = st.builds(
    lambda start, end, v, w, time: Trajectory((0.0, time), (start, end), (v, w)),
    angles,
    angles,
    rates,
    rates | st.just(REST),
    st.floats(0.01, 1.0),
)
#: Times between two steps, also none and absences.
intervals = st.just(0.0) | st.just(TICK) | st.floats(1e-3, 2.0 * SILENT_AFTER)
#: What happens between two steps: their distance in time, and perhaps a new goal or a hold.
happenings = st.lists(
    st.tuples(intervals, st.none() | arrivals | st.just('hold')), min_size=1, max_size=40
)


def holding(positions: tuple[float, ...], *, until: float = 10.0) -> Trajectory:
    """Make a trajectory that stays in one place."""
    return Trajectory((until,), (positions,), (REST,))


def moving(velocity: tuple[float, ...], end: float) -> Trajectory:
    """Make a trajectory that leaves zero at a constant velocity."""
    goal = tuple(v * end for v in velocity)
    return Trajectory((0.0, end), (REST, goal), (velocity, velocity))


def present_tracker(acceleration: float = ACCELERATION) -> Tracker:
    """Make a tracker that has just been stepped, so that its next step is not an absence."""
    tracker = Tracker(REST, SPEEDS, CATCH_UP, acceleration, RANGES)
    tracker.step(START)
    return tracker


def settle(tracker: Tracker, now: float) -> float:
    """Step until nothing moves; returns the time."""
    for _ in range(10_000):
        before = tracker.positions
        now += TICK
        if tracker.step(now) == before:
            return now
    pytest.fail('it does not come to rest')


def step_within_limits(
    tracker: Tracker,
    times: tuple[float, float, float],
    last: Sequence[float],
    acceleration: float = ACCELERATION,
) -> tuple[float, ...]:
    """Step and check speed, range, and acceleration since the step before; returns mean speeds.

    The times are now, what the step before took, and what this one takes.

    A motion whose speed changes by no more than a per second has mean speeds that differ by no
    more than a times the distance of the middles of their times.
    """
    now, last_dt, dt = times
    before = tracker.positions
    after = tracker.step(now + dt)
    for speed, p, q, (lowest, highest) in zip(SPEEDS, before, after, RANGES, strict=True):
        assert abs(q - p) <= speed * dt + ROUNDING
        assert lowest <= q <= highest
    mean = tuple((q - p) / dt for p, q in zip(before, after, strict=True))
    for v, w in zip(last, mean, strict=True):
        assert abs(w - v) <= acceleration * 0.5 * (last_dt + dt) + ROUNDING / TICK
    return mean


@given(happenings, st.sampled_from([5.0, 20.0, ACCELERATION]))
def test_speeds_accelerations_and_ranges_hold_whatever_comes(
    course: list[tuple[float, Trajectory | str | None]], acceleration: float
) -> None:
    """Any goals, silences, holds and late steps: what comes out is a motion within the limits."""
    tracker = present_tracker(acceleration)
    now, last_dt = START, TICK
    last: tuple[float, ...] = REST
    for dt, event in course:
        if isinstance(event, Trajectory):
            tracker.follow(event, now)
        elif event:
            tracker.hold()
        before = tracker.positions
        if 0.0 < dt <= SILENT_AFTER:
            last = step_within_limits(tracker, (now, last_dt, dt), last, acceleration)
            last_dt = dt
        else:
            # In an absence nobody told the servos anything; that they stood still is no doing
            # of ours.
            assert tracker.step(now + dt) == before
            if dt:
                last, last_dt = REST, dt
        now += dt


@given(
    st.floats(0.0, 9.0),
    st.floats(-150.0, 150.0),
    st.floats(-0.01, 0.01),
    st.floats(0.0, 3.0),
    st.lists(st.just(TICK) | st.floats(1e-3, 0.05), min_size=50, max_size=100),
)
def test_a_stream_that_goes_too_far_is_left(
    rate: float, acceleration: float, jump: float, end: float, times: list[float]
) -> None:
    """Too fast, faster and faster, with a small jump, into the end of the range: never all of it.

    Unlike arbitrary goals these streams can be got into, and must then be left in time.
    """
    tracker = present_tracker()
    now, last_dt = START, TICK
    last: tuple[float, ...] = REST
    for count, dt in enumerate(times):
        time = now + dt - START
        moving_rate = max(-9.0, min(9.0, rate + acceleration * max(0.0, time - 0.2)))
        way = min(end, rate * time + 0.5 * acceleration * max(0.0, time - 0.2) ** 2)
        place = max(-3.0, way + jump * (count % 20 > 10))
        goal = (min(3.0, place), 0.0, -0.3 * place)
        rates = (moving_rate, 0.0, -0.3 * moving_rate)
        tracker.follow(Trajectory((0.0,), (goal,), (rates,)), now + dt)
        last = step_within_limits(tracker, (now, last_dt, dt), last)
        last_dt = dt
        now += dt


@pytest.mark.parametrize('jump', [0.0, 0.002])
def test_a_stream_into_the_end_of_the_range_is_left_in_time(jump: float) -> None:
    """At full speed, with a small jump on the way: neither is a reason to go any faster.

    6 rad/s at the end of the range: a way of 0.18 rad before, it can just be braked.
    """
    tracker = present_tracker()
    now = START
    course = []
    last: tuple[float, ...] = REST
    for tick in range(1, 80):
        time = tick * TICK
        rate = min(6.0, 60.0 * time)
        place = min(3.0, 30.0 * time**2 if time < 0.1 else 0.3 + 6.0 * (time - 0.1))
        place = min(3.0, place + jump * (tick > 30))
        tracker.follow(Trajectory((0.0,), ((place, 0.0, 0.0),), ((rate, 0.0, 0.0),)), now + TICK)
        last = step_within_limits(tracker, (now, TICK, TICK), last)
        now += TICK
        course.append(tracker.positions[0])
    assert course[29] == pytest.approx(0.3 + 6.0 * 0.2)
    assert max(course) == pytest.approx(3.0)


@given(happenings, angles)
def test_every_course_ends_at_a_goal_that_stays(
    course: list[tuple[float, Trajectory | str | None]], goal: tuple[float, ...]
) -> None:
    """However the joints are moving, they come to a goal at rest and stay there exactly."""
    tracker = present_tracker()
    now = START
    for dt, event in course:
        if isinstance(event, Trajectory):
            tracker.follow(event, now)
        now += dt
        tracker.step(now)
    tracker.follow(holding(goal, until=60.0), now)
    settle(tracker, now)
    assert tracker.positions == goal
    assert tracker.following


@given(angles, st.lists(st.floats(0.001, SILENT_AFTER), min_size=1, max_size=30))
def test_the_way_back_is_straight_in_joint_space(
    goal: tuple[float, ...], times: list[float]
) -> None:
    """From rest to rest all joints go the same share of their way, and none overshoots."""
    tracker = present_tracker()
    tracker.follow(holding(goal, until=60.0), START)
    now, last = START, 0.0
    for dt in times:
        now += dt
        after = tracker.step(now)
        share = max((q / g for q, g in zip(after, goal, strict=True) if abs(g) > 1e-9), default=1.0)
        assert after == pytest.approx([share * g for g in goal], abs=ROUNDING)
        assert last - 1e-12 <= share <= 1.0 + 1e-12
        last = share


@pytest.mark.parametrize(
    ('way', 'time', 'peak'), [(0.1, 0.3, 0.5), (0.04, 0.178885438, 0.447213595)]
)
def test_the_way_back_takes_the_time_of_a_trapezoid(way: float, time: float, peak: float) -> None:
    """Textbook trapezoid at 0.5 rad/s and 5 rad/s^2, from memory: no faster law exists."""
    tracker = Tracker(REST, SPEEDS, 0.5, 5.0, RANGES)
    tracker.step(START)
    tracker.follow(holding((way, -0.5 * way, 0.0)), START)
    tick, ticks, fastest = 1e-3, 0, 0.0
    while not tracker.following:
        before = tracker.positions[0]
        ticks += 1
        fastest = max(fastest, tracker.step(START + ticks * tick)[0] - before)
    assert tracker.positions == (way, -0.5 * way, 0.0)
    assert ticks * tick == pytest.approx(time, abs=2 * tick)
    assert fastest / tick == pytest.approx(peak, abs=5.0 * tick)


def in_stream(tracker: Tracker) -> float:
    """Bring a tracker into a stream that is at rest; returns the time."""
    tracker.follow(holding(REST), START)
    tracker.step(START + TICK)
    assert tracker.following
    return START + TICK


@given(st.floats(0.5, 15.0), st.lists(st.floats(0.002, 0.05), min_size=1, max_size=60))
def test_in_the_stream_it_is_followed_exactly(pulsation: float, times: list[float]) -> None:
    """A smooth stream within the limits is reproduced without any lag, however late the steps."""
    tracker = present_tracker()
    in_stream(tracker)
    sizes = tuple(0.5 * min(v / pulsation, ACCELERATION / pulsation**2, 6.0) for v in SPEEDS)

    def point(time: float) -> tuple[tuple[float, ...], tuple[float, ...]]:
        u = pulsation * time
        return (
            tuple(0.5 * size * (1.0 - cos(u)) for size in sizes),
            tuple(0.5 * size * pulsation * sin(u) for size in sizes),
        )

    now = 0.0
    for dt in times:
        now += dt
        sent = floor(now / TICK) * TICK
        offsets = (0.0, TICK, 7 * TICK)
        positions, velocities = zip(*(point(sent + offset) for offset in offsets), strict=True)
        preview = Trajectory(offsets, positions, velocities)
        tracker.follow(preview, START + TICK + sent)
        assert tracker.step(START + TICK + now) == pytest.approx(
            preview.sample(now - sent), abs=ROUNDING
        )
        assert tracker.following


@given(
    st.floats(0.5, 15.0),
    st.floats(0.0, EVENED_OUT),
    st.lists(st.floats(0.001, 0.03), min_size=1, max_size=60),
)
def test_what_starts_later_does_not_disturb_the_stream(
    pulsation: float, ahead: float, times: list[float]
) -> None:
    """Messages that come before their start leave those before them in force until then.

    So it is when deliveries have become faster, and the stream is played faster until it fits.
    """
    tracker = present_tracker()
    in_stream(tracker)
    sizes = tuple(0.5 * min(v / pulsation, ACCELERATION / pulsation**2, 6.0) for v in SPEEDS)
    offsets = (0.0, TICK, 7 * TICK)

    def preview(index: int) -> Trajectory:
        turns = [pulsation * (index * TICK + offset) for offset in offsets]
        return Trajectory(
            offsets,
            tuple(tuple(0.5 * size * (1.0 - cos(u)) for size in sizes) for u in turns),
            tuple(tuple(0.5 * size * pulsation * sin(u) for size in sizes) for u in turns),
        )

    now, sent = 0.0, 0
    for dt in times:
        now += dt
        while sent * TICK <= now + ahead:
            tracker.follow(preview(sent), START + TICK + sent * TICK)
            sent += 1
        index = floor(now / TICK)
        assert tracker.step(START + TICK + now) == pytest.approx(
            # Whether one that starts just now has started is a matter of rounding.
            preview(index).sample(now - index * TICK),
            abs=1e-5,
        )
        assert tracker.following


def test_a_jump_of_the_stream_is_followed_at_full_speed() -> None:
    """Who is in the stream stays in it: a goal too far away is approached by all that is allowed.

    By hand: 6 rad/s are reached after 0.06 s and 0.18 rad, and stopping takes as much.
    """
    tracker = present_tracker()
    now = in_stream(tracker)
    tracker.follow(holding((3.0, 0.0, 0.0)), now)
    way = [0.0, *(tracker.step(now + tick * TICK)[0] for tick in range(1, 51))]
    assert way[:7] == pytest.approx(
        [0.5 * ACCELERATION * (tick * TICK) ** 2 for tick in range(7)], abs=ROUNDING
    )
    for before, after in pairwise(way[6:]):
        assert after - before == pytest.approx(SPEEDS[0] * TICK)
    assert tracker.following
    assert way[-1] == pytest.approx(3.0 - 0.18)


def test_a_late_path_is_made_up_for_along_its_chord() -> None:
    """In the stream the joints lead straight to where they should be, although that moves.

    Each at its share of the way, so that they stay close to a path that is not far from straight.
    """
    tracker = present_tracker()
    now = in_stream(tracker)
    velocity = (2.0, -1.0, 0.5)
    tracker.follow(moving(velocity, 1.0), now - 0.1)
    for tick in range(1, 20):
        first, second, third = tracker.step(now + tick * TICK)
        assert (second, third) == pytest.approx((-0.5 * first, 0.25 * first), abs=ROUNDING)
    assert tracker.positions[0] == pytest.approx(2.0 * (0.1 + 19 * TICK))
    assert tracker.following


def test_a_stream_that_ends_is_finished_and_then_held() -> None:
    """What was announced is carried out to its last point; there the joints stay."""
    tracker = present_tracker()
    goal = (0.05, 0.05, 0.05)
    tracker.follow(Trajectory((0.1,), (goal,), (REST,)), START)
    for tick in range(1, 200):
        tracker.step(START + tick * TICK)
    assert tracker.positions == pytest.approx(goal)
    assert not tracker.following


def test_a_stream_that_breaks_off_is_played_slower_to_its_end() -> None:
    """The joints stay on its path, keep the acceleration, and rest in its last point."""
    tracker = present_tracker()
    velocity = (5.0, -2.5, 1.0)
    now = in_stream(tracker)
    tracker.follow(moving(velocity, 0.5), now)
    last: tuple[float, ...] = REST
    for tick in range(100):
        last = step_within_limits(tracker, (now + tick * TICK, TICK, TICK), last)
        first, second, third = tracker.positions
        assert (second, third) == pytest.approx((-0.5 * first, 0.2 * first), abs=ROUNDING)
        assert first <= 2.5 + ROUNDING
    assert tracker.positions == pytest.approx([0.5 * v for v in velocity], abs=1e-4)
    assert tracker.time == pytest.approx(now + 0.5, abs=1e-4)


def test_a_single_point_in_full_motion_is_come_back_to() -> None:
    """It has no path to slow down on: joints brake and return. By hand: 0.125 rad at 5 rad/s."""
    tracker = present_tracker()
    now = in_stream(tracker)
    for tick in range(1, 51):
        time = tick * TICK
        place = tuple(v * time for v in (5.0, -2.5, 1.0))
        tracker.follow(Trajectory((0.0,), (place,), ((5.0, -2.5, 1.0),)), now + time)
        tracker.step(now + time)
    assert tracker.positions == pytest.approx((2.5, -1.25, 0.5))
    furthest = 0.0
    for tick in range(51, 100):
        furthest = max(furthest, tracker.step(now + tick * TICK)[0])
    assert furthest == pytest.approx(2.5 + 0.125)
    assert tracker.positions == pytest.approx((2.5, -1.25, 0.5))


@pytest.mark.parametrize('gap', [0.02, 0.06, 0.09])
def test_after_a_gap_the_stream_is_gone_on_with_along_its_path(gap: float) -> None:
    """All joints go the same share of a straight path, whatever they have missed, to the end."""
    tracker = present_tracker()
    velocity = (0.5, -0.25, 0.125)
    now = in_stream(tracker)
    last: tuple[float, ...] = REST

    def preview(time: float) -> Trajectory:
        places = [tuple(v * (time + ahead) for v in velocity) for ahead in (0.0, TICK, 7 * TICK)]
        return Trajectory((0.0, TICK, 7 * TICK), tuple(places), (velocity,) * 3)

    for tick in range(500):
        time = tick * TICK
        if not 0.2 < time < 0.27 + gap:
            tracker.follow(preview(time), now + time)
        last = step_within_limits(tracker, (now + time, TICK, TICK), last)
        first, second, third = tracker.positions
        assert (second, third) == pytest.approx((-0.5 * first, 0.25 * first), abs=1e-6)
        assert tracker.following
    assert tracker.time == pytest.approx(now + 500 * TICK)


def test_a_stream_that_goes_on_elsewhere_is_chased_only_after_a_while() -> None:
    """A sender who listens has the time to come back: what begins at rest is joined at once."""
    tracker = present_tracker()
    velocity = (1.0, 0.0, 0.0)
    now = in_stream(tracker)
    tracker.follow(moving(velocity, 0.1), now)
    for tick in range(1, 31):
        tracker.step(now + tick * TICK)
    left = tracker.positions
    time = 0.0
    for tick in range(31, 31 + round(0.8 * CHASE_AFTER / TICK)):
        time = tick * TICK
        tracker.follow(Trajectory((0.0, 0.07), ((time,) * 3,) * 2, (velocity,) * 2), now + time)
        assert tracker.step(now + time + TICK) == pytest.approx(left, abs=1e-3)
    tracker.follow(holding((0.2, 0.0, 0.0), until=0.0), now + time)
    for tick in range(40):
        tracker.step(now + time + (2 + tick) * TICK)
    assert tracker.positions == pytest.approx((0.2, 0.0, 0.0))


@pytest.mark.parametrize('velocity', [(0.3, 0.0, 0.0), REST], ids=['in motion', 'at rest'])
def test_a_stream_that_falls_silent_in_motion_was_cut_off(velocity: tuple[float, ...]) -> None:
    """One that has come to its goal is complete; a new stream or place makes up for the rest."""
    tracker = present_tracker()
    tracker.follow(moving(velocity, 0.1), START)
    for tick in range(1, 11):
        tracker.step(START + tick * TICK)
    tracker.step(START + 0.1 + SILENT_AFTER)
    assert not tracker.cut_off
    tracker.step(START + 0.11 + SILENT_AFTER)
    assert tracker.cut_off == (velocity != REST)
    tracker.hold()
    assert tracker.cut_off == (velocity != REST)
    tracker.follow(holding(REST), START + 1.0)
    assert not tracker.cut_off


def test_after_a_silence_the_stream_is_reached_slowly_and_then_followed() -> None:
    """Back at the catch-up speed first, at full speed once there."""
    tracker = present_tracker()
    tracker.follow(holding(REST, until=0.01), START)
    now = START
    while now < START + 1.0:
        now += TICK
        tracker.step(now)
    tracker.follow(holding((0.1, 0.0, 0.0)), now)
    while not tracker.following:
        before = tracker.positions[0]
        now += TICK
        assert tracker.step(now)[0] - before <= CATCH_UP * TICK + 1e-12
    assert tracker.positions == (0.1, 0.0, 0.0)
    tracker.follow(holding((3.0, 0.0, 0.0)), now)
    speeds = []
    for _ in range(20):
        before = tracker.positions[0]
        now += TICK
        speeds.append((tracker.step(now)[0] - before) / TICK)
    assert max(speeds) == pytest.approx(SPEEDS[0])


def test_a_stream_in_motion_is_caught_up_with() -> None:
    """The catch-up speed is seen from the stream, so that none is too fast to get into."""
    tracker = present_tracker()
    velocity = (2.8, 2.8, 1.4)
    tracker.follow(moving(velocity, 2.0), START - 0.05)
    ticks = 0
    while not tracker.following:
        ticks += 1
        tracker.step(START + ticks * TICK)
    # At 0.2 rad/s, 3.0 - 2.8, the second joint has to make up for 0.14 rad and for its start.
    assert 0.7 < ticks * TICK < 0.95
    assert tracker.positions == pytest.approx([v * (0.05 + ticks * TICK) for v in velocity])


@given(angles, st.floats(SILENT_AFTER * 1.01, 3600.0))
def test_own_absence_is_no_reason_to_hurry(goal: tuple[float, ...], absence: float) -> None:
    """After a pause of the caller nothing moves in the first step, then the joints set off."""
    tracker = present_tracker()
    in_stream(tracker)
    back = START + TICK + absence
    tracker.follow(holding(goal), back)
    assert tracker.step(back) == REST
    assert not tracker.following
    for position in tracker.step(back + TICK):
        assert abs(position) <= 0.5 * ACCELERATION * TICK**2 + ROUNDING


def test_an_absence_in_full_motion_ends_at_rest() -> None:
    """The servos have stood still meanwhile: the motion does not go on where it was cut off."""
    tracker = present_tracker()
    now = in_stream(tracker)
    tracker.follow(holding((3.0, 0.0, 0.0)), now)
    for tick in range(1, 20):
        tracker.step(now + tick * TICK)
    held = tracker.positions
    back = now + 19 * TICK + 2.0 * SILENT_AFTER
    tracker.follow(holding(held), back)
    assert tracker.step(back) == held
    assert tracker.step(back + TICK) == held


def test_the_first_step_is_an_absence() -> None:
    """However long the clock has been running, a fresh tracker does not jump."""
    tracker = Tracker(REST, SPEEDS, CATCH_UP, ACCELERATION, RANGES)
    tracker.follow(holding((1.0, 1.0, 1.0)), 1e6)
    assert tracker.step(1e6) == REST


def test_hold_brakes_and_drops_the_stream() -> None:
    """By hand: from 6 rad/s the way to brake is 0.18 rad; then nothing moves."""
    tracker = present_tracker()
    now = in_stream(tracker)
    tracker.follow(holding((3.0, 0.0, 0.0)), now)
    for tick in range(1, 20):
        tracker.step(now + tick * TICK)
    held = tracker.positions[0]
    tracker.hold()
    for tick in range(20, 60):
        tracker.step(now + tick * TICK)
    assert tracker.positions == pytest.approx((held + 0.18, 0.0, 0.0))


def test_place_drops_the_stream_at_once() -> None:
    """The joints are where they were said to be, at rest, until a new trajectory comes."""
    tracker = present_tracker()
    tracker.follow(holding((1.0, 1.0, 1.0)), START)
    for tick in range(1, 10):
        tracker.step(START + tick * TICK)
    tracker.place((0.5, 0.5, 0.5))
    assert tracker.step(START + 10 * TICK) == (0.5, 0.5, 0.5)
    assert not tracker.following


def test_before_its_start_a_trajectory_waits_at_its_first_point() -> None:
    """A trajectory that starts later does not begin to move early."""
    tracker = present_tracker()
    tracker.follow(moving((1.0, 1.0, 1.0), 1.0), START + 0.5)
    for tick in range(1, 50):
        assert tracker.step(START + tick * TICK) == REST


@pytest.mark.parametrize('waited', [0.1, 0.4, 3.0])
@pytest.mark.parametrize('after', [0.1, 0.5, 0.95])
def test_a_way_that_ends_at_rest_is_finished_however_long_it_had_to_wait(
    waited: float, after: float
) -> None:
    """Nobody is left standing short of the place that a whole plan leads to."""
    tracker = present_tracker()
    goal = (0.5, -0.3, 0.0)
    tracker.follow(Trajectory((0.0, 1.0), (REST, goal), (REST, REST)), START)
    now = START
    for waits, seconds in ((False, after), (True, waited), (False, 1.5)):
        tracker.wait(waits=waits)
        for _ in range(round(seconds / TICK)):
            now += TICK
            tracker.step(now)
    assert tracker.positions == goal
    assert tracker.velocities == REST


def deliveries(delays: Sequence[float]) -> Iterator[tuple[float, float]]:
    """When each message of a stream was sent and received, in order."""
    received = START
    for index, delay in enumerate(delays):
        sent = START + index * TICK
        received = max(received, sent + delay)
        yield sent, received


@given(
    st.floats(-1e9, 1e9),
    st.floats(0.0, 0.01),
    st.lists(st.floats(0.0, 0.05), min_size=1, max_size=DELIVERIES_COMPARED - 1),
)
def test_a_stream_plays_as_evenly_as_it_was_stamped(
    offset: float, delay: float, jitter: list[float]
) -> None:
    """Once the fastest message has come, jitter and the place of the sender's clock do not show."""
    clock = StreamClock()
    starts = []
    for sent, received in deliveries([delay, *(delay + extra for extra in jitter)]):
        starts.append(clock.start(sent + offset, received))
    # Stamps of a large offset are rounded, 1e9 s to about 1e-7 s.
    for earlier, later in pairwise(starts):
        assert later - earlier == pytest.approx(TICK, abs=1e-6)
    assert starts[0] == pytest.approx(START + delay, abs=1e-6)


@given(st.lists(st.floats(0.0, 0.1), min_size=1, max_size=3 * DELIVERIES_COMPARED))
def test_no_message_starts_long_after_it_has_come(delays: list[float]) -> None:
    """The start is at most so long after the receipt as can be made up for evenly."""
    clock = StreamClock()
    for sent, received in deliveries(delays):
        assert clock.start(sent + 1.0, received) <= received + EVENED_OUT + 1e-9


@given(st.lists(st.floats(0.0, EVENED_OUT), min_size=2, max_size=3 * DELIVERIES_COMPARED))
def test_the_time_of_a_stream_does_not_jump(delays: list[float]) -> None:
    """A faster delivery, or the end of the memory of one, changes how fast a stream plays."""
    clock = StreamClock()
    calls = list(deliveries(delays))
    starts = [clock.start(sent + 1.0, received) for sent, received in calls]
    for (earlier, later), ((_, before), (_, after)) in zip(
        pairwise(starts), pairwise(calls), strict=True
    ):
        assert abs(later - earlier - TICK) <= EVENING_OUT_SHARE * (after - before) + 1e-9


@pytest.mark.parametrize('change', [-0.9 * EVENED_OUT, 0.9 * EVENED_OUT])
def test_a_stream_fits_its_deliveries_again(change: float) -> None:
    """When deliveries have become faster or slower for good, each starts at its receipt again."""
    clock = StreamClock()
    needed = DELIVERIES_COMPARED + round(EVENED_OUT / EVENING_OUT_SHARE / TICK)
    calls = list(deliveries([EVENED_OUT] * DELIVERIES_COMPARED + [EVENED_OUT + change] * needed))
    starts = [clock.start(sent + 1.0, received) for sent, received in calls]
    assert starts[-1] == pytest.approx(calls[-1][1])


def test_a_stamp_of_zero_means_now() -> None:
    """It starts at its receipt, and tells nothing about the sender's clock."""
    clock = StreamClock()
    assert clock.start(0.0, 1234.5) == 1234.5
    assert clock.start(10.0, 1300.0) == pytest.approx(1300.0)
    assert clock.start(0.0, 1301.0) == 1301.0
    assert clock.start(11.0, 1301.2) == pytest.approx(1301.0)


@pytest.mark.parametrize('step', [-3600.0, -0.1, 0.1, 3600.0])
def test_a_stepping_clock_of_the_sender_is_forgotten_with_the_window(step: float) -> None:
    """After a window of messages from the stepped clock each starts at its receipt again."""
    clock = StreamClock()
    for index in range(DELIVERIES_COMPARED):
        clock.start(5000.0 + index * TICK, START + index * TICK)
    start = received = 0.0
    for index in range(DELIVERIES_COMPARED, 2 * DELIVERIES_COMPARED):
        received = START + index * TICK
        start = clock.start(5000.0 + step + index * TICK, received)
    assert start == pytest.approx(received)


@given(st.lists(st.sampled_from([-100.0, -0.2, 0.0, 0.2, 100.0]), min_size=2, max_size=8))
def test_no_joint_jumps_when_the_clock_of_the_sender_steps(steps: list[float]) -> None:
    """Back and forth: at worst the joints hold for a while, and the speeds are kept."""
    clock, tracker = StreamClock(), present_tracker()
    now, index = START, 0
    for offset in steps:
        for _ in range(40):
            index += 1
            stamp = 5000.0 + offset + index * TICK
            goal = (0.02 * index, -0.01 * index, 0.005 * index)
            trajectory = Trajectory((0.0, 0.07), (goal, goal), (REST, REST))
            tracker.follow(trajectory, clock.start(stamp, now))
            before = tracker.positions
            now += TICK
            after = tracker.step(now)
            for speed, p, q in zip(SPEEDS, before, after, strict=True):
                assert abs(q - p) <= speed * TICK + 1e-9
