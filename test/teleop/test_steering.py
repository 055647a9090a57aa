# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Somebody at a pad: the robot is driven while the hold control is pressed, and only then."""

from collections.abc import Callable
from typing import Any

import pytest

from leg_kinematics.chain.values import Level
from leg_kinematics.gait import Twist
from leg_kinematics.teleop.layout import Act, Layout
from leg_kinematics.teleop.pad import Pad
from leg_kinematics.teleop.steering import (
    STOP_TOLD_FOR,
    Steering,
    SteeringParameters,
    Wanted,
    shaped,
)

MakePad = Callable[..., Pad]

HOLD = 'leftshoulder'
TICK = 0.02
PARAMETERS = SteeringParameters()


class Driver:
    """Somebody at a pad that is read 50 times a second, in simulated time."""

    def __init__(self, layout: Layout, make: MakePad) -> None:
        """Begin with a pad that nobody touches."""
        self.steering = Steering(layout, PARAMETERS)
        self.now = 10.0
        self._make = make
        self.stamps = True
        self.ordered: list[Act] = []
        self.wanted = Wanted()

    def keep(self, *buttons: str, ticks: float = 1, **axes: float) -> Wanted:
        """Keep the pad like that for so many ticks."""
        for _ in range(round(ticks)):
            self.now += TICK
            stamp = round(1e9 * self.now) if self.stamps else 7
            pad = self._make(*buttons, **axes)
            self.ordered += self.steering.take(pad, self.now, stamp)
            self.wanted = self.steering.step(self.now)
        return self.wanted

    def silent(self, seconds: float) -> Wanted:
        """Let time pass without a message."""
        for _ in range(round(seconds / TICK)):
            self.now += TICK
            self.wanted = self.steering.step(self.now)
        return self.wanted

    @property
    def state(self) -> str:
        """What is told."""
        return str(self.steering.condition())


@pytest.fixture
def driver(layout: Layout, pad: MakePad) -> Driver:
    """Return somebody whose pad was heard, with nothing pressed."""
    made = Driver(layout, pad)
    made.keep()
    return made


def test_it_moves_while_the_hold_control_is_pressed(driver: Driver) -> None:
    """Without it nothing is sent at all; afterwards standstill for a while, then nothing."""
    assert driver.keep(lefty=-1.0) == Wanted()
    assert driver.keep(HOLD, lefty=-1.0).twist == Twist(x=PARAMETERS.slow_speed)
    assert driver.steering.condition().state == 'driving'
    assert driver.keep(lefty=-1.0).twist == Twist()
    driver.keep(ticks=round(STOP_TOLD_FOR / TICK) + 1)
    assert driver.wanted == Wanted()
    assert driver.state.startswith('ready: the robot moves while leftshoulder is pressed')


@pytest.mark.parametrize(
    ('axes', 'slow', 'fast'),
    [
        ({'lefty': -1.0}, Twist(x=0.04), Twist(x=0.12)),
        ({'lefty': 1.0}, Twist(x=-0.04), Twist(x=-0.12)),
        ({'leftx': -1.0}, Twist(y=0.04), Twist(y=0.12)),
        ({'leftx': 1.0}, Twist(y=-0.04), Twist(y=-0.12)),
        ({'rightx': -1.0}, Twist(yaw=0.2), Twist(yaw=0.6)),
        ({'rightx': 1.0}, Twist(yaw=-0.2), Twist(yaw=-0.6)),
        ({'righty': 1.0}, Twist(), Twist()),
    ],
)
def test_every_stick_goes_its_way_in_both_ranges(
    driver: Driver, axes: dict[str, float], slow: Twist, fast: Twist
) -> None:
    """Forward is x, left is y, a turn to the left is positive (REP 103)."""
    assert driver.keep(HOLD, **axes).twist == slow
    assert driver.keep(HOLD, 'rightshoulder', **axes).twist == fast


def test_the_dead_zone_and_the_curve() -> None:
    """By hand: 0 in the dead zone, 1 at the end, and (0.56 - 0.12) / 0.88 = 0.5, squared 0.25."""
    assert [shaped(each, 0.12, 2.0) for each in (0.0, 0.12, -0.12)] == [0.0, 0.0, 0.0]
    assert [shaped(each, 0.12, 2.0) for each in (1.0, -1.0)] == [1.0, -1.0]
    assert shaped(0.56, 0.12, 2.0) == pytest.approx(0.25)
    assert shaped(-0.56, 0.12, 2.0) == pytest.approx(-0.25)
    assert shaped(0.56, 0.12, 1.0) == pytest.approx(0.5)


def stop_by_silence(driver: Driver) -> None:
    """Pull out the pad, or lose the link."""
    driver.silent(PARAMETERS.pad_silence + 2 * TICK)


def stop_by_loss(driver: Driver) -> None:
    """Be told that the device is gone."""
    driver.steering.lose('the pad was unplugged')


def stop_by_stamps(driver: Driver) -> None:
    """Have the reader repeat its last message."""
    driver.stamps = False
    driver.keep(HOLD, lefty=-1.0, ticks=20)


def stop_by_stand(driver: Driver) -> None:
    """Order to stand."""
    driver.keep(HOLD, 'start', lefty=-1.0)
    assert driver.ordered == [Act.STAND]


def stop_by_crouch(driver: Driver) -> None:
    """Order to crouch."""
    driver.keep(HOLD, 'back', lefty=-1.0)
    assert driver.ordered == [Act.CROUCH]


def stop_by_release(driver: Driver) -> None:
    """Order a release."""
    driver.keep(HOLD, 'b', lefty=-1.0)
    assert driver.ordered == [Act.RELEASE]


@pytest.mark.parametrize(
    ('stop', 'words'),
    [
        (stop_by_silence, 'no pad: nothing was heard from the pad for 0.3 s'),
        (stop_by_loss, 'no pad: the pad was unplugged'),
        (stop_by_stamps, 'no pad: the stamp of the pad stands still'),
        (stop_by_stand, 'stopped: stand was ordered; let go of leftshoulder, then press it again'),
        (stop_by_crouch, 'stopped: crouch was ordered'),
        (stop_by_release, 'stopped: release was ordered'),
    ],
)
def test_after_a_stop_the_hold_control_is_pressed_anew(
    driver: Driver, stop: Callable[[Driver], None], words: str
) -> None:
    """It is told why it stopped; nothing moves because a device came back with a button pressed."""
    assert driver.keep(HOLD, lefty=-1.0).twist == Twist(x=PARAMETERS.slow_speed)
    stop(driver)
    assert driver.state.startswith(words)
    assert driver.steering.step(driver.now).twist == Twist()
    driver.stamps = True
    for _ in range(200):
        assert not driver.keep(HOLD, lefty=-1.0).twist
    assert 'let go of leftshoulder, then press it again to drive' in driver.state
    assert driver.steering.condition().level is Level.WARN
    driver.keep()
    assert driver.keep(HOLD, lefty=-1.0).twist == Twist(x=PARAMETERS.slow_speed)


def test_a_stuck_hold_control_moves_nothing(layout: Layout, pad: MakePad) -> None:
    """It is pressed when the pad comes, and was never seen let go."""
    driver = Driver(layout, pad)
    for _ in range(500):
        assert driver.keep(HOLD, lefty=-1.0) == Wanted()
    assert driver.state.startswith('stopped: the pad has just come; let go of leftshoulder')


def test_a_stuck_stick_counts_for_nothing(layout: Layout, pad: MakePad) -> None:
    """Until it has been in its dead zone; the others count."""
    driver = Driver(layout, pad)
    driver.keep(lefty=-1.0)
    assert driver.keep(HOLD, lefty=-1.0).twist == Twist()
    assert driver.steering.condition().level is Level.WARN
    assert driver.state == (
        'driving: lefty never came to the middle, and counts for nothing until it does'
    )
    assert driver.keep(HOLD, lefty=-1.0, rightx=-1.0).twist == Twist(yaw=0.2)
    driver.keep(HOLD)
    assert driver.keep(HOLD, lefty=-1.0).twist == Twist(x=0.04)


def test_an_order_button_orders_once_and_only_held(driver: Driver) -> None:
    """A stuck one orders nothing more; without the hold control, or both at once, nothing is."""
    driver.keep('start', ticks=5)
    driver.keep('back', ticks=5)
    driver.keep(HOLD, ticks=2)
    driver.keep(HOLD, 'start', 'back', ticks=5)
    assert driver.ordered == []
    driver.keep(HOLD)
    driver.keep(HOLD, 'start', ticks=50)
    assert driver.ordered == [Act.STAND]
    driver.keep('start')
    driver.keep(HOLD, 'start', ticks=50)
    assert driver.ordered == [Act.STAND]


def test_release_is_obeyed_always(layout: Layout, pad: MakePad) -> None:
    """Also without the hold control, and when it is pressed as the pad comes; once a press."""
    driver = Driver(layout, pad)
    driver.keep('b', ticks=20)
    assert driver.ordered == [Act.RELEASE]
    driver.keep()
    driver.keep('b', ticks=20)
    assert driver.ordered == [Act.RELEASE] * 2


def test_the_body_leans_at_a_rate_and_stays_when_it_is_let_go(driver: Driver) -> None:
    """Full deflection takes 2 s to the bound; the walk stands still meanwhile; level goes back.

    The stick away from the driver turns the nose down, which is a positive pitch (REP 103).
    """
    driver.keep(HOLD)
    driver.keep(HOLD, ticks=50, righttrigger=1.0, lefty=-1.0)
    assert driver.wanted.twist == Twist()
    offset = driver.wanted.offset
    assert offset is not None
    assert offset.rpy[1] == pytest.approx(0.5 * PARAMETERS.lean_angle, rel=0.03)
    driver.keep(HOLD, ticks=200, righttrigger=1.0, lefty=-1.0)
    assert driver.wanted.offset is None
    assert driver.keep(righttrigger=1.0, lefty=1.0).offset is None
    driver.keep(HOLD)
    level: Any = driver.keep(HOLD, 'y').offset
    assert level.components == (0.0,) * 6


def test_the_duty_factor_goes_step_by_step(driver: Driver) -> None:
    """Tripod, tetrapod, wave, and back; beyond the ends nothing."""
    driver.keep(HOLD)
    seen = []
    for button in ('dpup', 'dpup', 'dpup', 'dpdown'):
        driver.keep(HOLD, button)
        driver.keep(HOLD)
        seen.append(driver.steering.duty_factor)
    assert seen == [2 / 3, 5 / 6, 5 / 6, 2 / 3]
    assert driver.ordered == [Act.STEADIER, Act.STEADIER, Act.QUICKER]


def test_what_is_no_input_keeps_nothing_alive(driver: Driver) -> None:
    """A stream of it stops the robot as silence does, and the reason is told."""
    driver.keep(HOLD, lefty=-1.0)
    for _ in range(20):
        driver.now += TICK
        driver.steering.refuse('axis 1 of joy must be from -1 to 1 (got nan)')
        driver.wanted = driver.steering.step(driver.now)
    assert driver.wanted.twist == Twist()
    assert driver.state == 'no pad: axis 1 of joy must be from -1 to 1 (got nan)'
    assert driver.steering.refused == 20
