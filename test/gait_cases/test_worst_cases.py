# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The moments of a walk in which things go wrong if they ever do, each with its picture.

`pytest --basetemp=FOLDER test/gait_cases` leaves the pictures there: feet from above, margin,
elevation and joint speeds over time.
"""

from collections.abc import Callable, Iterator
from math import inf, nan, radians
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from leg_kinematics.errors import CommandError
from leg_kinematics.gait import (
    BodyMotion,
    GaitParameters,
    GaitSample,
    GaitState,
    Offset,
    Twist,
    Walker,
)
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver

if TYPE_CHECKING:
    from test.walk_record import WalkRecord

TICK = 0.01

PARAMETERS = GaitParameters()

AHEAD = Twist(PARAMETERS.max_speed, 0.0, 0.0)

#: Bound of the acceleration of any foot in `base_link`, m/s^2. By hand, a stride of 0.12 m in 0.5 s
#: asks for 5.7735 D / T^2 = 2.8, its lift of 30 mm for 24 h / T^2 = 2.9 (minimum jerk, Flash and
#: Hogan 1985); a change of the goal on the way may ask for twice that.
FOOT_ACCELERATION = 12.0


class Drive:
    """A walk under way, and its record."""

    def __init__(self, walker: Walker, record: 'WalkRecord') -> None:
        """Begin."""
        self.walker = walker
        self.record = record
        self.samples: list[GaitSample] = []

    def step(self, command: Twist) -> GaitSample:
        """Go on by a tick."""
        sample = self.walker.step(TICK, command)
        self.samples.append(sample)
        time = TICK * len(self.samples)
        motion = BodyMotion.of(sample)
        self.record.add(time, sample.feet, sample.velocities, sample.standing, motion)
        return sample

    def go(self, seconds: float, command: Twist) -> None:
        """Go on for some time."""
        for _ in range(round(seconds / TICK)):
            self.step(command)

    def to_mid_swing(self, command: Twist) -> GaitSample:
        """Go on until the feet that swing are as high as they get."""
        for _ in range(round(5.0 / TICK)):
            sample = self.step(command)
            feet = zip(sample.feet, sample.standing, strict=True)
            highest = max((foot[2] for foot, stands in feet if not stands), default=-inf)
            if sample.height + highest > 0.99 * PARAMETERS.lift:
                return sample
        pytest.fail('no foot swings')

    def to_rest(self) -> None:
        """Stop, and stand a while."""
        for _ in range(round(10.0 / TICK)):
            if self.step(Twist()).state is GaitState.STANDING:
                break
        assert self.walker.state is GaitState.STANDING
        before = self.samples[-1]
        self.go(1.0, Twist())
        assert self.samples[-1].feet == before.feet, 'standing still is still'


@pytest.fixture
def drive(
    bracken: Robot,
    bracken_legs: tuple[LegSolver, ...],
    stand_up: Callable[[GaitParameters], Walker],
    new_record: 'type[WalkRecord]',
    tmp_path: Path,
) -> Iterator[Drive]:
    """Begin a walk; in the end check what always holds, and draw it."""
    drive = Drive(stand_up(PARAMETERS), new_record(bracken, bracken_legs, TICK))
    yield drive
    drive.record.draw(tmp_path / 'walk.png')
    drive.record.check(
        acceleration=FOOT_ACCELERATION,
        speed_share=PARAMETERS.speed_share,
        margin=PARAMETERS.min_margin,
        down=3,
    )


def test_reverse_at_full_speed_in_mid_swing(drive: Drive) -> None:
    """Braking and going back take what the acceleration allows; the swing lands where it helps."""
    drive.go(4.0, AHEAD)
    fastest = drive.to_mid_swing(AHEAD).twist.x
    assert fastest > 0.08
    drive.record.mark('reverse')
    drive.go(5.0, AHEAD.scaled(-1.0))
    assert drive.samples[-1].twist.x == pytest.approx(-fastest)
    speeds = np.array([sample.twist.x for sample in drive.samples])
    assert np.abs(np.diff(speeds)).max() <= PARAMETERS.acceleration * TICK * (1.0 + 1e-9)
    drive.record.mark('stop')
    drive.to_rest()


def test_spin_while_walking(drive: Drive) -> None:
    """Full yaw rate one way and the other on top of full speed: the whole twist is scaled."""
    drive.go(3.0, AHEAD)
    for side in (1.0, -1.0, 1.0):
        drive.to_mid_swing(AHEAD)
        drive.record.mark('spin left' if side > 0.0 else 'spin right')
        command = Twist(AHEAD.x, 0.0, side * PARAMETERS.max_yaw_rate)
        drive.go(4.0, command)
        sample = drive.samples[-1]
        assert sample.limit
        assert sample.twist.yaw / sample.twist.x == pytest.approx(command.yaw / command.x)
    drive.record.mark('stop')
    drive.to_rest()


def test_body_pitched_while_turning(drive: Drive) -> None:
    """The nose goes down and up and the body aside, while the robot turns about its middle."""
    turn = Twist(0.02, 0.0, 0.3)
    drive.go(3.0, turn)
    for event, offset in (
        ('nose down', Offset((0.0, 0.0, 0.0), (0.0, radians(8.0), 0.0))),
        ('nose up, aside', Offset((0.0, 0.008, 0.0), (0.0, radians(-8.0), 0.0))),
        ('rolled, turned', Offset((0.005, 0.0, 0.004), (radians(6.0), 0.0, radians(5.0)))),
        ('level', Offset()),
    ):
        drive.to_mid_swing(turn)
        drive.record.mark(event)
        drive.walker.offset_body(offset)
        drive.go(5.0, turn)
        assert drive.samples[-1].offset.rpy == pytest.approx(offset.rpy, abs=1e-9)
        assert drive.samples[-1].twist.yaw > 0.1
    drive.record.mark('stop')
    drive.to_rest()


def test_stop_while_three_feet_are_up(drive: Drive) -> None:
    """They land, the feet go back to their places, and the robot stands on all six."""
    drive.go(3.0, AHEAD)
    assert sum(drive.to_mid_swing(AHEAD).standing) == 3
    drive.record.mark('stop')
    drive.to_rest()
    sample = drive.samples[-1]
    assert all(sample.standing)
    assert not sample.twist
    for (x, y, _), neutral in zip(sample.feet, drive.walker.neutral, strict=True):
        assert (x, y) == pytest.approx(neutral, abs=2e-3)


def test_duty_factor_from_half_to_five_sixths_and_back(drive: Drive) -> None:
    """While walking: from three feet down to five, and to three again."""
    drive.go(3.0, AHEAD)
    drive.to_mid_swing(AHEAD)
    drive.record.mark('5/6')
    drive.walker.set_duty_factor(5.0 / 6.0)
    drive.go(20.0, AHEAD)
    steady = drive.samples[-500:]
    assert {sample.duty_factor for sample in steady} == {5.0 / 6.0}
    assert min(sum(sample.standing) for sample in steady) == 5
    drive.to_mid_swing(AHEAD)
    drive.record.mark('1/2')
    drive.walker.set_duty_factor(0.5)
    drive.go(20.0, AHEAD)
    steady = drive.samples[-200:]
    assert {sample.duty_factor for sample in steady} == {0.5}
    assert min(sum(sample.standing) for sample in steady) == 3
    drive.record.mark('stop')
    drive.to_rest()
    for before, after in zip(drive.samples, drive.samples[1:], strict=False):
        assert abs(after.duty_factor - before.duty_factor) < 0.02


def test_nan_and_huge_twists_in_mid_swing(drive: Drive) -> None:
    """What is not finite is refused and changes nothing; what is huge only gives a direction."""
    drive.go(3.0, AHEAD)
    drive.to_mid_swing(AHEAD)
    for number in (nan, inf, -inf):
        for bad in (Twist(x=number), Twist(y=number), Twist(yaw=number)):
            with pytest.raises(CommandError, match='must be finite'):
                drive.step(bad)
    drive.record.mark('huge')
    for _ in range(3):
        for huge in (Twist(x=1e150), Twist(y=-1e300), Twist(yaw=1e300), Twist(1e308, 1e308, 1e308)):
            drive.go(0.4, huge)
            assert drive.samples[-1].limit
    drive.record.mark('stop')
    drive.to_rest()
