# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Somebody at the keys of a terminal, which repeats what is held and tells no letting go."""

import pytest

from leg_kinematics.gait import Twist
from leg_kinematics.teleop.key_steering import (
    FASTER,
    FIRST_REPEAT_WITHIN,
    KEYS,
    LEAVE,
    RELEASE,
    REPEATS_WITHIN,
    STAND,
    STOP,
    WALKING_KEYS,
    Key,
    KeySteering,
    key_of,
)
from leg_kinematics.teleop.layout import Act
from leg_kinematics.teleop.steering import STOP_TOLD_FOR, SteeringParameters

TICK = 0.02
FORWARD = WALKING_KEYS[0]


class Typist:
    """Somebody who presses keys, in simulated time."""

    def __init__(self) -> None:
        """Begin with no key pressed."""
        self.steering = KeySteering(SteeringParameters())
        self.now = 3.0

    def hold(self, key: Key, seconds: float, delay: float = 0.5, period: float = 0.033) -> None:
        """Hold a key down, and see that the robot is driven all the time."""
        self.steering.press(key, self.now)
        next_repeat, end = self.now + delay, self.now + seconds
        while self.now < end:
            self.now += TICK
            while next_repeat <= self.now:
                self.steering.press(key, next_repeat)
                next_repeat += period
            assert self.steering.step(self.now).twist

    def until_still(self) -> float:
        """Wait until the robot is to stand still; return how long that took, s."""
        begun = self.now
        while self.steering.step(self.now).twist:
            self.now += TICK
        return self.now - begun


@pytest.mark.parametrize(('delay', 'period'), [(0.25, 0.033), (0.5, 0.033), (0.66, 0.04)])
def test_a_held_key_drives_without_a_break_and_stops_when_let_go(
    delay: float, period: float
) -> None:
    """With the repeats of the Linux kernel and of X servers, from memory."""
    typist = Typist()
    typist.hold(FORWARD, 3.0, delay, period)
    assert typist.until_still() <= REPEATS_WITHIN + 2 * TICK


def test_a_tap_drives_for_as_long_as_a_repeat_may_take() -> None:
    """Then standstill is told for a while, then nothing."""
    typist = Typist()
    typist.steering.press(FORWARD, typist.now)
    assert typist.until_still() == pytest.approx(FIRST_REPEAT_WITHIN, abs=2 * TICK)
    assert typist.steering.step(typist.now).twist == Twist()
    assert typist.steering.step(typist.now + STOP_TOLD_FOR + TICK).twist is None


@pytest.mark.parametrize(
    ('key', 'act'), [(STOP, None), (STAND, Act.STAND), (RELEASE, Act.RELEASE), (LEAVE, None)]
)
def test_any_order_stops_at_once(key: Key, act: Act | None) -> None:
    """Whatever was held."""
    typist = Typist()
    typist.hold(FORWARD, 1.0)
    assert typist.steering.press(key, typist.now) is act
    assert typist.steering.step(typist.now).twist == Twist()


def test_every_walking_key_goes_its_way_in_both_ranges() -> None:
    """REP 103: x ahead, y to the left, a turn to the left positive."""
    expected = {
        'w': Twist(x=0.12), 's': Twist(x=-0.12), 'a': Twist(yaw=0.6), 'd': Twist(yaw=-0.6),
        'j': Twist(y=0.12), 'l': Twist(y=-0.12),
    }  # fmt: skip
    typist = Typist()
    for name, fast in expected.items():
        key = key_of(name)
        assert key is not None
        typist.steering.fast = False
        typist.steering.press(key, typist.now)
        slow = typist.steering.step(typist.now).twist
        assert slow is not None
        assert typist.steering.press(FASTER, typist.now) is None
        assert typist.steering.step(typist.now).twist == fast
        tripled = slow.scaled(3.0)
        assert (tripled.x, tripled.y, tripled.yaw) == pytest.approx((fast.x, fast.y, fast.yaw))


def test_no_key_has_two_meanings() -> None:
    """Each name belongs to one key, and a name of none is none."""
    names = [name for key in KEYS for name in key.names]
    assert len(names) == len(set(names))
    assert key_of('z') is None


def test_a_key_that_is_held_through_an_interruption_does_not_go_on() -> None:
    """Its repeats count for nothing until it was let go; another key counts at once."""
    typist = Typist()
    typist.hold(FORWARD, 1.0)
    typist.steering.interrupt()
    for _ in range(100):
        typist.now += 0.033
        typist.steering.press(FORWARD, typist.now)
        assert not typist.steering.step(typist.now).twist
    typist.steering.press(WALKING_KEYS[1], typist.now)
    assert typist.steering.step(typist.now).twist
    typist.steering.interrupt()
    typist.now += FIRST_REPEAT_WITHIN + TICK
    typist.steering.press(WALKING_KEYS[1], typist.now)
    assert typist.steering.step(typist.now).twist
