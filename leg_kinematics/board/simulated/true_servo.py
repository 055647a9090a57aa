# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A servo as it came out of the bag, with a horn somehow on it: what a calibration has to find out.

Nobody is told these numbers. What can be seen is the angle of the joint, as a protractor shows it,
and whether it turns at all.
"""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from math import pi, sin
from pathlib import Path
from random import Random
from typing import Self

from leg_kinematics.board.framed import frames
from leg_kinematics.board.simulated.servo import ServoDynamics, SimulatedServo
from leg_kinematics.errors import BoardError

#: The pulse in the middle of what servos take, µs.
MIDDLE_US = 1500.0

#: Half the length of the wave by which a servo is not linear, µs.
WAVE_US = 1000.0


@dataclass(frozen=True)
class TrueServo:
    """The truth about one servo, its horn, and the joint on it.

    Attributes
    ----------
    joint
        The number of the joint that it really turns: that of its channel, unless the plugs of two
        servos were swapped.
    gain
        Change of pulse with joint angle, µs/deg; below 0 where it turns the other way.
    horn_offset
        Joint angle at a pulse of 1500 µs, deg.
    bend
        By how much its angle departs from a straight line at most, deg.
    slack
        Angle by which the joint can be moved while the shaft stands, deg.
    dead_band_us
        Width of the band around the pulse in which it rests, µs.
    sticks_us
        How far the pulse must be from where it stands before it moves at all, µs: much for a servo
        that binds.
    stops_us
        Pulses at which servo or leg meet something.
    dead
        Whether it turns at no pulse at all.
    stood_us
        Where it stands before its first pulse, as a pulse, µs.
    speed_us_per_s
        Without load, µs/s.

    """

    joint: int
    gain: float = 11.0
    horn_offset: float = 0.0
    bend: float = 0.0
    slack: float = 0.0
    dead_band_us: float = 5.0
    sticks_us: float = 0.0
    stops_us: tuple[float, float] = (frames.SHORTEST_US, frames.LONGEST_US)
    dead: bool = False
    stood_us: float = MIDDLE_US
    speed_us_per_s: float = 4000.0

    @classmethod
    def draw(cls, joint: int, chance: Random) -> Self:
        """Draw what cheap servos are like, and a horn put on by eye.

        The spans are those of servos from one bag, by common practice, no source: gain 8 to
        14 µs/deg either way, horn within 25 deg, bent by up to 3 deg, 1 deg of slack.
        """
        return cls(
            joint,
            gain=chance.choice((-1.0, 1.0)) * chance.uniform(8.0, 14.0),
            horn_offset=chance.uniform(-25.0, 25.0),
            bend=chance.uniform(-3.0, 3.0),
            slack=chance.uniform(0.5, 1.0),
            stops_us=(chance.uniform(620.0, 850.0), chance.uniform(2150.0, 2380.0)),
            stood_us=chance.uniform(1000.0, 2000.0),
        )

    def angle(self, position_us: float) -> float:
        """Joint angle where the shaft stands at a position, without slack, deg."""
        way = position_us - MIDDLE_US
        return self.horn_offset + way / self.gain + self.bend * sin(pi * way / WAVE_US)


class TrueJoint(SimulatedServo):
    """A joint on such a servo, as time goes by.

    Attributes
    ----------
    truth
        What nobody is told.
    angle
        Of the joint, deg: what the protractor shows.
    pressed_us
        How far the pulse is beyond the stop that the joint presses against, µs; 0 while none.

    """

    def __init__(self, truth: TrueServo) -> None:
        """Let it stand where it was left."""
        super().__init__(ServoDynamics(truth.speed_us_per_s, truth.dead_band_us))
        self.truth = truth
        self.position_us: float = truth.stood_us
        self.angle = truth.angle(truth.stood_us)
        self.pressed_us = 0.0
        self._moves = False

    def advance(self, pulse_us: float | None, seconds: float) -> None:
        """Follow one unchanging pulse for a while, as far as the servo can."""
        truth = self.truth
        self.pressed_us = 0.0
        if pulse_us is None or truth.dead:
            self._moves = False
            return
        lowest, highest = truth.stops_us
        reached = min(max(pulse_us, lowest), highest)
        self.pressed_us = abs(pulse_us - reached)
        if self._moves or abs(reached - self.position_us) > truth.sticks_us:
            super().advance(reached, seconds)
            self._moves = abs(reached - self.position_us) > truth.dead_band_us / 2.0
        shaft, play = truth.angle(self.position_us), truth.slack / 2.0
        self.angle = min(max(self.angle, shaft - play), shaft + play)


def load_true_servos(path: Path) -> dict[int, TrueServo]:
    """Read the truth about servos by channel; where there is no such file, draw and write one.

    Raises
    ------
    BoardError
        The file is something else.

    """
    if not path.exists():
        chance = Random(path.name)
        servos = {channel: TrueServo.draw(channel, chance) for channel in range(frames.CHANNELS)}
        save_true_servos(path, servos)
        return servos
    try:
        content = json.loads(path.read_text(encoding='utf-8'))
        read = {int(channel): TrueServo(**each) for channel, each in content.items()}
        return {
            channel: replace(each, stops_us=(each.stops_us[0], each.stops_us[1]))
            for channel, each in read.items()
        }
    except (ValueError, TypeError, LookupError, AttributeError) as error:
        raise BoardError(
            f'{path} does not tell what servos are like ({error!r}); delete it to have it drawn by '
            'chance, or name another file'
        ) from error


def save_true_servos(path: Path, servos: Mapping[int, TrueServo]) -> None:
    """Write the truth about servos by channel, as JSON."""
    content = {channel: asdict(each) for channel, each in servos.items()}
    path.write_text(json.dumps(content, indent=1), encoding='utf-8')


class Protractor:
    """A file that shows the angle of every joint, in deg by its number, as it turns.

    Parameters
    ----------
    path
        Where to write it, as JSON.
    joints
        What is shown.

    """

    def __init__(self, path: Path, joints: Mapping[int, TrueJoint]) -> None:
        """Show how they stand."""
        self._path = path
        self._joints = joints
        self._shown: dict[int, float] | None = None
        self.show()

    def show(self) -> None:
        """Write the angles, if one of them has changed; whole or not at all."""
        angles = {each.truth.joint: round(each.angle, 2) for each in self._joints.values()}
        if angles != self._shown:
            fresh = self._path.with_name(f'{self._path.name}.new')
            fresh.write_text(json.dumps(angles), encoding='utf-8')
            fresh.replace(self._path)
            self._shown = angles
