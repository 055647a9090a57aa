# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A robot driven by a pad, from the lists of `sensor_msgs/Joy` to its pulses, in simulated time."""

from collections.abc import Callable, Sequence
from math import dist, inf, nan
from pathlib import Path
from random import Random

import pytest

from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.lockstep import LockStep, LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Twist
from leg_kinematics.robot import Robot
from leg_kinematics.teleop.arbitration import Arbitration, read_senders
from leg_kinematics.teleop.layout import Act, JoyTable, Layout, load_layout
from leg_kinematics.teleop.steering import Steering, SteeringParameters

LAYOUT = Path(__file__).parents[2] / 'config' / 'layouts' / 'two_sticks_four_buttons.yaml'

TOPIC = 'teleop/cmd_vel'
PARAMETERS = SteeringParameters()

#: Ticks of the chain between two messages of the pad: 50 a second.
EVERY = 2

Joy = tuple[Sequence[float], Sequence[int]]


class Drive:
    """A robot with somebody at a pad.

    Its gait hears what the arbitration sends on, and where that is nothing keeps the last velocity:
    nothing here relies on the silence that the gait would notice.
    """

    def __init__(self, robot: Robot, maps: ServoMaps) -> None:
        """Give the legs their pulses; the gait has not been told to stand."""
        self.life = LockStep(robot, maps, LockStepParameters())
        self.life.driving.configure()
        self.life.run(0.1)
        self.life.driving.activate()
        self.life.run_until(lambda: self.life.driving.state is PowerState.FOLLOWING)
        layout = load_layout(LAYOUT)
        self.steering = Steering(layout, PARAMETERS)
        self.arbitration = Arbitration(read_senders([]))
        self._layout: Layout = layout
        self.orders: list[Act] = []
        self.place = (0.0, 0.0)
        self.cut = False
        self._count = 0

    @property
    def table(self) -> JoyTable:
        """Where the controls are in a message."""
        assert self._layout.joy is not None
        return self._layout.joy

    def joy(self, *buttons: str, **axes: float) -> Joy:
        """Make the lists of a message; deflections are as the pad has them."""
        table = self.table
        lists = [0.0] * table.lengths[0], [0] * table.lengths[1]
        for name, value in axes.items():
            slot = table.axes[name]
            lists[0][slot.index] = slot.end * value
        for name in buttons:
            lists[1][table.buttons[name].index] = 1
        return lists

    def tick(self, joy: Joy | None, stamp: int | None = None) -> None:
        """Go on by a tick, with a message of the pad or without."""
        life, now = self.life, self.life.now
        if joy is not None:
            try:
                pad = self.table.read(*joy)
            except CommandError as error:
                self.steering.refuse(str(error))
            else:
                self.orders += self.steering.take(pad, now, stamp)
        twist = self.steering.step(now).twist
        sent = None
        if twist is not None and not self.cut:
            sent = self.arbitration.hear(TOPIC, twist, now)
        still = self.arbitration.step(now)
        if (command := sent if still is None else still) is not None:
            life.command = command
        walked = life.step().walked
        if walked is not None and walked.odometry:
            x, y, _ = walked.odometry[-1].motion.position
            self.place = (x, y)

    def keep(self, seconds: float, joy: Joy | None) -> None:
        """Keep the pad like that."""
        for _ in range(round(seconds / self.life.tick)):
            self._count += 1
            told = joy is not None and self._count % EVERY == 0
            stamp = round(1e9 * self.life.now)
            self.tick(joy if told else None, stamp if told else None)

    def stand(self) -> None:
        """Stand up."""
        life = self.life
        life.run_until(lambda: life.walking.stand(life.now).success)
        while life.walking.condition(life.now).state != 'standing':
            self.keep(0.1, self.joy())

    def at_full_speed(self) -> None:
        """Walk ahead with the fast range."""
        self.stand()
        self.keep(3.0, self.joy('leftshoulder', 'rightshoulder', lefty=-1.0))
        assert self.life.command == Twist(x=PARAMETERS.fast_speed)
        assert self.life.walking.condition(self.life.now).state == 'walking'

    def until_standing(self, joy: Joy | None) -> tuple[float, float]:
        """Go on until the robot stands; return how long and how far that was, s and m."""
        begun, place = self.life.now, self.place
        while self.life.walking.condition(self.life.now).state != 'standing':
            assert self.life.now - begun < 5.0
            self.keep(self.life.tick, joy)
        return self.life.now - begun, dist(place, self.place)


@pytest.fixture
def drive(bracken: Robot, bracken_maps: ServoMaps) -> Drive:
    """Return a robot that rests, and somebody at a pad."""
    return Drive(bracken, bracken_maps)


def let_go(drive: Drive) -> Joy | None:
    """Let go of the hold control, with the stick still ahead."""
    return drive.joy(lefty=-1.0)


def unplug(drive: Drive) -> Joy | None:
    """Have the reader of the pad fall silent."""
    del drive
    return None


def spoil(drive: Drive) -> Joy | None:
    """Have every message hold a NaN."""
    axes, buttons = drive.joy('leftshoulder', 'rightshoulder', lefty=-1.0)
    return [nan, *axes[1:]], buttons


def shorten(drive: Drive) -> Joy | None:
    """Have every message lack its last button."""
    axes, buttons = drive.joy('leftshoulder', 'rightshoulder', lefty=-1.0)
    return axes, buttons[:-1]


def cut_the_link(drive: Drive) -> Joy | None:
    """Cut what lies between the pad and the robot, while the driver holds on."""
    drive.cut = True
    return drive.joy('leftshoulder', 'rightshoulder', lefty=-1.0)


#: Until a robot at 0.12 m/s stands: 0.8 s at 0.15 m/s^2 to standstill (by hand), then its feet are
#: set down within a swing and a step in place; after a silence that much later.
SLOWED = 0.8
STEPS = 1.4


@pytest.mark.parametrize(
    ('happen', 'noticed'),
    [
        (let_go, 2 * 0.02),
        (unplug, PARAMETERS.pad_silence + 0.04),
        (spoil, PARAMETERS.pad_silence + 0.04),
        (shorten, PARAMETERS.pad_silence + 0.04),
        (cut_the_link, 0.5 + 0.04),
    ],
)
def test_time_and_way_to_standstill(
    drive: Drive,
    happen: Callable[[Drive], Joy | None],
    noticed: float,
) -> None:
    """From full speed, by the ordinary acceleration limit; the way is v t + v^2 / 2a (Galilei)."""
    drive.at_full_speed()
    speed = PARAMETERS.fast_speed
    seconds, metres = drive.until_standing(happen(drive))
    assert seconds <= noticed + SLOWED + STEPS
    assert metres <= speed * noticed + speed**2 / (2 * 0.15) + 0.004
    drive.keep(1.0, happen(drive))
    assert drive.life.walking.condition(drive.life.now).state == 'standing'


def test_a_link_that_comes_back_moves_nothing(drive: Drive) -> None:
    """The driver still holds on, and has to let go and press anew."""
    drive.at_full_speed()
    held = drive.joy('leftshoulder', 'rightshoulder', lefty=-1.0)
    drive.until_standing(cut_the_link(drive))
    place = drive.place
    drive.cut = False
    drive.keep(2.0, held)
    assert drive.place == place
    drive.keep(0.1, drive.joy())
    drive.keep(1.0, held)
    assert dist(drive.place, place) > 0.02


def test_a_pad_that_comes_back_moves_nothing(drive: Drive) -> None:
    """Its buttons are still pressed."""
    drive.at_full_speed()
    held = drive.joy('leftshoulder', 'rightshoulder', lefty=-1.0)
    drive.until_standing(None)
    place = drive.place
    drive.keep(2.0, held)
    assert drive.place == place
    drive.keep(0.1, drive.joy())
    drive.keep(1.0, held)
    assert dist(drive.place, place) > 0.02


def fuzzed(random: Random, drive: Drive) -> Joy:
    """Draw a message: a right one without the hold control, or one that is none in one place."""
    table = drive.table
    axes, buttons = table.lengths
    hold = table.buttons['leftshoulder'].index
    pressed = [random.randrange(2) for _ in range(buttons)]
    deflected = [random.choice((0.0, random.uniform(-1.0, 1.0), 1.0, -1.0)) for _ in range(axes)]
    match random.randrange(4):
        case 0:
            pressed[hold] = 0
        case 1:
            deflected[random.randrange(axes)] = random.choice((nan, inf, -inf, 1e30, -2.0))
        case 2:
            pressed[random.randrange(buttons)] = random.choice((-1, 2, 255, 2**31 - 1))
        case _:
            del deflected[random.randrange(axes) :], pressed[random.randrange(buttons) :]
    return deflected, pressed


def test_ten_thousand_fuzzed_messages_never_move_an_unarmed_robot(drive: Drive) -> None:
    """It stands; the hold control was pressed only in messages that are none: no pulse changes."""
    drive.stand()
    random = Random(14)
    before = drive.life.pulses_us('main')
    for index in range(10_000):
        drive.tick(fuzzed(random, drive), random.choice((None, 5, index)))
        assert not drive.life.command
        assert drive.life.pulses_us('main') == before
    assert set(drive.orders) <= {Act.RELEASE}
    assert drive.steering.refused > 5000
    assert not drive.steering.driving
