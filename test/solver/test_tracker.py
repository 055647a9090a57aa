# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Following a stream: never faster than allowed, never a jump, evenly through jitter."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.solver import StreamClock, Tracker, Trajectory
from leg_kinematics.solver.tracker import SILENT_AFTER, WINDOW

SPEEDS = (6.0, 3.0, 1.5)
CATCH_UP = 2.0
CATCH_UP_SPEEDS = (2.0, 2.0, 1.5)
TICK = 0.01
START = 100.0
REST = (0.0, 0.0, 0.0)

angles = st.tuples(*[st.floats(-3.0, 3.0)] * 3)
#: What happens between two steps: their distance in time, and perhaps a new goal.
happenings = st.lists(
    st.tuples(st.floats(0.0, 2.0 * SILENT_AFTER), st.none() | angles), min_size=1, max_size=40
)


def holding(positions: tuple[float, ...], *, until: float = 10.0) -> Trajectory:
    """Make a trajectory that stays in one place."""
    return Trajectory((until,), (positions,), (REST,))


def moving(velocity: tuple[float, ...], end: float) -> Trajectory:
    """Make a trajectory that leaves zero at a constant velocity."""
    goal = tuple(v * end for v in velocity)
    return Trajectory((0.0, end), (REST, goal), (velocity, velocity))


def present_tracker() -> Tracker:
    """Make a tracker that has just been stepped, so that its next step is not an absence."""
    tracker = Tracker(REST, SPEEDS, CATCH_UP)
    tracker.step(START)
    return tracker


@given(happenings)
def test_no_step_exceeds_the_speeds(course: list[tuple[float, tuple[float, ...] | None]]) -> None:
    """Whatever comes and whenever it is stepped, no joint goes further than its speed allows."""
    tracker = present_tracker()
    now = START
    for dt, goal in course:
        if goal is not None:
            tracker.follow(holding(goal), now)
        before = tracker.positions
        now += dt
        after = tracker.step(now)
        for speed, p, q in zip(SPEEDS, before, after, strict=True):
            assert abs(q - p) <= speed * dt + 1e-12


@given(angles, st.floats(0.001, SILENT_AFTER - 0.001))
def test_the_way_back_is_straight_in_joint_space(goal: tuple[float, ...], dt: float) -> None:
    """All joints go the same share of their way, and none overshoots."""
    tracker = present_tracker()
    tracker.follow(holding(goal), START)
    after = tracker.step(START + dt)
    share = max((q / g for q, g in zip(after, goal, strict=True) if abs(g) > 1e-9), default=1.0)
    assert after == pytest.approx([share * g for g in goal], abs=1e-9)
    assert share <= 1.0 + 1e-12


def test_the_way_back_takes_the_time_of_the_slowest_joint() -> None:
    """By hand: at 2, 2 and 1.5 rad/s the way (1, 1, 1.5) takes one second for all joints."""
    tracker = present_tracker()
    goal = (1.0, 1.0, 1.5)
    tracker.follow(holding(goal), START)
    for tick in range(1, 100):
        assert tracker.step(START + tick * TICK) == pytest.approx([0.01 * tick * g for g in goal])
        assert not tracker.following
    assert tracker.step(START + 1.0 + 1e-9) == pytest.approx(goal)
    assert tracker.following


def test_in_the_stream_it_is_followed_exactly() -> None:
    """A motion within the speeds, but above the catch-up speed, is reproduced without any lag."""
    tracker = present_tracker()
    velocity = (5.0, -2.5, 1.0)
    tracker.follow(holding(REST), START)
    tracker.step(START + TICK)
    assert tracker.following
    tracker.follow(moving(velocity, 0.5), START + TICK)
    for tick in range(1, 51):
        time = tick * TICK
        expected = [v * time for v in velocity]
        assert tracker.step(START + TICK + time) == pytest.approx(expected, abs=1e-9)


def test_a_jump_of_the_stream_is_followed_at_full_speed() -> None:
    """Who is in the stream stays in it: a goal too far away is approached at the speeds."""
    tracker = present_tracker()
    tracker.follow(holding(REST), START)
    tracker.step(START + TICK)
    tracker.follow(holding((3.0, 0.0, 0.0)), START + TICK)
    assert tracker.step(START + 2 * TICK) == pytest.approx((SPEEDS[0] * TICK, 0.0, 0.0))
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


def test_after_a_silence_the_stream_is_reached_slowly_and_then_followed() -> None:
    """Back at the catch-up speed first, at full speed once there."""
    tracker = present_tracker()
    tracker.follow(holding(REST, until=0.01), START)
    now = START
    while now < START + 1.0:
        now += TICK
        tracker.step(now)
    tracker.follow(holding((0.1, 0.0, 0.0)), now)
    ticks = 0
    while not tracker.following:
        before = tracker.positions[0]
        now += TICK
        ticks += 1
        assert tracker.step(now)[0] - before <= CATCH_UP_SPEEDS[0] * TICK + 1e-12
    assert ticks in {5, 6}  # 0.1 rad at 2 rad/s; rounding decides on which side of a tick
    tracker.follow(holding((3.0, 0.0, 0.0)), now)
    before = tracker.positions[0]
    assert tracker.step(now + TICK)[0] - before == pytest.approx(SPEEDS[0] * TICK)


@given(angles, st.floats(SILENT_AFTER * 1.01, 3600.0))
def test_own_absence_is_no_reason_to_hurry(goal: tuple[float, ...], absence: float) -> None:
    """After a pause of the caller nothing moves in the first step, then at the catch-up speed."""
    tracker = present_tracker()
    tracker.follow(holding(REST), START)
    tracker.step(START + TICK)
    back = START + TICK + absence
    tracker.follow(holding(goal), back)
    assert tracker.step(back) == REST
    assert not tracker.following
    for speed, position in zip(CATCH_UP_SPEEDS, tracker.step(back + TICK), strict=True):
        assert abs(position) <= speed * TICK + 1e-12


def test_the_first_step_is_an_absence() -> None:
    """However long the clock has been running, a fresh tracker does not jump."""
    tracker = Tracker(REST, SPEEDS, CATCH_UP)
    tracker.follow(holding((1.0, 1.0, 1.0)), 1e6)
    assert tracker.step(1e6) == REST


def test_hold_and_place_drop_the_stream() -> None:
    """After both nothing moves until a new trajectory comes."""
    tracker = present_tracker()
    tracker.follow(holding((1.0, 1.0, 1.0)), START)
    held = tracker.step(START + TICK)
    tracker.hold()
    assert tracker.step(START + 2 * TICK) == held
    tracker.follow(holding((1.0, 1.0, 1.0)), START)
    tracker.place((0.5, 0.5, 0.5))
    assert tracker.step(START + 3 * TICK) == (0.5, 0.5, 0.5)
    assert not tracker.following


def test_before_its_start_a_trajectory_waits_at_its_first_point() -> None:
    """A trajectory that starts later does not begin to move early."""
    tracker = present_tracker()
    tracker.follow(moving((1.0, 1.0, 1.0), 1.0), START + 0.5)
    for tick in range(1, 50):
        assert tracker.step(START + tick * TICK) == REST


@given(
    st.floats(-1e9, 1e9),
    st.floats(0.0, 0.01),
    st.lists(st.floats(0.0, 0.05), min_size=1, max_size=WINDOW - 1),
)
def test_a_stream_plays_as_evenly_as_it_was_stamped(
    offset: float, delay: float, jitter: list[float]
) -> None:
    """Once the fastest message has come, jitter and the place of the sender's clock do not show."""
    clock = StreamClock()
    starts = []
    for index, extra in enumerate([0.0, *jitter]):
        sent = START + index * TICK
        starts.append(clock.start(sent + offset, sent + delay + extra))
    # Stamps of a large offset are rounded, 1e9 s to about 1e-7 s.
    for earlier, later in pairwise(starts):
        assert later - earlier == pytest.approx(TICK, abs=1e-6)
    assert starts[0] == pytest.approx(START + delay, abs=1e-6)


@given(st.lists(st.floats(0.0, 0.05), min_size=1, max_size=3 * WINDOW))
def test_no_message_starts_after_it_has_come(delays: list[float]) -> None:
    """The start is at most the receipt, so nothing is delayed beyond the fastest delivery."""
    clock = StreamClock()
    for index, delay in enumerate(delays):
        received = START + index * TICK + delay
        assert clock.start(index * TICK + 1.0, received) <= received + 1e-9


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
    for index in range(WINDOW):
        clock.start(5000.0 + index * TICK, START + index * TICK)
    start = received = 0.0
    for index in range(WINDOW, 2 * WINDOW):
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
