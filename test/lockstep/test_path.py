# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The path of a walk: led along it, told where on it the robot is, stopped and set off."""

from itertools import pairwise

import pytest

from leg_kinematics.chain.path import FEWEST_SETTING_OFF_TICKS, KEPT_FOR, SETTING_OFF_TIME, Path
from leg_kinematics.chain.values import NANOSECONDS

RATE = 100.0
TICK = 1.0 / RATE
MS = NANOSECONDS // 1000


def walked(ticks: int, *, rate: float = RATE) -> Path[int]:
    """Lead a robot along a path whose ticks are their own positions, and publish each."""
    path: Path[int] = Path(1.0 / rate, rate)
    path.begin(0)
    for index in range(1, ticks + 1):
        path.advance(1)
        path.append(index)
        path.publish(index * 10 * MS, (0.0,), (path.at,))
    return path


def test_full_pace_is_a_tick_a_tick() -> None:
    """Where nothing holds it up, position and pace are those of the clock."""
    path = walked(5)
    assert (path.at, path.pace, path.front) == (5.0, 1.0, 5)
    assert path.ahead(0) == (5.0, 1.0)
    assert path.ahead(7) == (12.0, 1.0)


def test_between_two_ticks() -> None:
    """A position is a tick and a share of the way to the next."""
    path = walked(5)
    assert path.around(3.0) == (3, 3, 0.0)
    before, after, share = path.around(3.25)
    assert (before, after) == (3, 4)
    assert share == pytest.approx(0.25)


@pytest.mark.parametrize('rate', [10.0, 50.0, 100.0, 500.0])
@pytest.mark.parametrize('share', [0.0, 0.37, 0.999])
def test_setting_off_is_even(rate: float, share: float) -> None:
    """From rest the pace grows by the same amount every tick, and ends at 1 at a whole tick.

    Along an even acceleration the position grows by the mean of the paces (Galilei).
    """
    path = walked(20, rate=rate)
    path.stop()
    assert path.pace == 0.0
    path.at = 15.0 + share
    path.set_off()
    points = [(path.at, 0.0)]
    while not points[-1][1] == 1.0:  # noqa: SIM201
        coming = path.ahead(1)
        path.advance(1)
        assert (path.at, path.pace) == coming
        points.append(coming)
    steps = len(points) - 1
    assert steps >= FEWEST_SETTING_OFF_TICKS
    assert steps * TICK * RATE / rate >= 0.9 * SETTING_OFF_TIME
    assert path.at == path.full_pace_at == round(path.at)
    gains = [after[1] - before[1] for before, after in pairwise(points[:-1])]
    assert gains == pytest.approx([gains[0]] * len(gains))
    for (start, slow), (end, fast) in pairwise(points[:-1]):
        assert end - start == pytest.approx(0.5 * (slow + fast))
    # The last tick makes it a whole position: the pace jumps by no more than a usual gain.
    assert 1.0 - points[-2][1] <= 2.0 * gains[0]
    path.advance(1)
    assert path.at == path.full_pace_at + 1.0


def test_where_the_robot_is_by_what_it_tells() -> None:
    """A stamp between two that were published lies between their positions."""
    path = walked(10)
    path.reach(50 * MS, going_back=False)
    assert path.reached == 5.0
    path.reach(54 * MS, going_back=False)
    assert path.reached == pytest.approx(5.4)
    assert path.at == 10.0


def test_going_back_to_where_the_robot_is() -> None:
    """A walk that is paused goes on from there."""
    path = walked(10)
    path.stop()
    path.reach(62 * MS, going_back=True)
    assert path.at == path.reached == pytest.approx(6.2)


def test_a_stamp_of_somebody_else_is_of_no_use() -> None:
    """What was never published tells nothing; what lies ahead is the last that was published."""
    path = walked(10)
    path.reach(-5 * MS, going_back=True)
    assert (path.reached, path.at) == (0.0, 10.0)
    path.reach(900 * MS, going_back=True)
    assert path.at == 10.0


def test_the_latest_preview_counts_beyond_the_latest_stamp() -> None:
    """Targets that reach ahead tell where the robot is after their stamp."""
    path = walked(10)
    path.publish(110 * MS, (0.0, 0.01, 0.07), (10.0, 11.0, 17.0))
    path.reach(140 * MS, going_back=False)
    assert path.reached == pytest.approx(13.0)
    path.reach(500 * MS, going_back=False)
    assert path.reached == 17.0


def test_a_clock_that_was_set_back_forgets_what_it_gave() -> None:
    """Stamps that come again mean other positions."""
    path = walked(10)
    path.publish(20 * MS, (0.0,), (10.0,))
    path.reach(90 * MS, going_back=False)
    assert path.reached == 10.0
    assert path.stamp(5.0) is None


def test_every_position_has_the_instant_at_which_it_was_led_to() -> None:
    """Also one that was passed between two ticks, after setting off from a share of one."""
    path = walked(10)
    assert path.stamp(4.0) == 40 * MS
    path.stop()
    path.reach(62 * MS, going_back=True)
    path.publish(200 * MS, (0.0,), (path.at,))
    path.set_off()
    path.advance(1)
    path.publish(210 * MS, (0.0,), (path.at,))
    share = (path.at - 6.2) / 2
    middle = path.stamp(6.2 + share)
    assert middle is not None
    assert middle / MS == pytest.approx(205.0, abs=0.01)


def test_what_lies_far_behind_is_forgotten() -> None:
    """Hours of walking take no more room than a few seconds."""
    path = walked(10)
    for index in range(11, 3000):
        path.advance(1)
        path.append(index)
        path.publish(index * 10 * MS, (0.0,), (path.at,))
        path.reach(index * 10 * MS - 2 * MS, going_back=False)
    kept = round(KEPT_FOR * RATE)
    assert path.around(float(path.front - kept + 2))[0] == path.front - kept + 2
    assert path.stamp(float(path.front - kept - 10)) is None
    assert path.front - path._first <= kept + 3  # noqa: SLF001


def test_what_the_robot_has_not_reached_is_kept() -> None:
    """However far it falls behind, the path between is there."""
    path = walked(10)
    for index in range(11, 1000):
        path.advance(1)
        path.append(index)
        path.publish(index * 10 * MS, (0.0,), (path.at,))
    assert path.around(1.5)[:2] == (1, 2)
