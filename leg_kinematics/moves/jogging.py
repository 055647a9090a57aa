# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One foot or one joint moved by hand, key by key: what every key means, and what becomes of it."""

import enum
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from math import ceil, degrees, dist, floor, radians
from typing import TypeVar

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.moves.leg_view import along, can_stand
from leg_kinematics.moves.places import Frame, LegFrames, Place
from leg_kinematics.moves.steps import FeetStep
from leg_kinematics.robot import Vector

#: Coxa, femur and tibia of every leg, rad.
Angles = tuple[Vector, ...]

#: Way of a foot for a key, m.
FOOT_STEPS = (0.001, 0.005, 0.020)

#: Turn of a joint for a key, rad.
JOINT_STEPS = (radians(1.0), radians(5.0), radians(15.0))

#: A foot that is kept is where it was within this, m.
UNMOVED = 1e-5

#: Coordinates that are kept are multiples of this, m.
GRAIN = 1e-5

#: An angle comes back from the foot that it gives within this, rad.
SAME_ANGLE = 1e-5


class Mode(enum.StrEnum):
    """What the keys move."""

    FOOT = 'foot'
    JOINT = 'joint'


class Leave(enum.StrEnum):
    """How the robot is left."""

    HOLD = 'hold'
    """The servos stay powered where they are."""
    RELEASE = 'release'
    """The pulses go off."""


class Act(enum.Enum):
    """What a key does."""

    MOVE = enum.auto()
    MODE = enum.auto()
    FRAME = enum.auto()
    LARGER = enum.auto()
    SMALLER = enum.auto()
    NEXT_LEG = enum.auto()
    PREVIOUS_LEG = enum.auto()
    KEEP = enum.auto()
    UNDO = enum.auto()
    LEAVE = enum.auto()
    RELEASE = enum.auto()


@dataclass(frozen=True, slots=True)
class Key:
    """A key and what it does.

    Attributes
    ----------
    names
        What it is called; the first one is shown, the others do the same.
    words
        What it does.
    act
        The same for the program.
    axis, sign
        For a move: 0 for x or the coxa, 1 for y or the femur, 2 for z or the tibia, and which way.

    """

    names: tuple[str, ...]
    words: str
    act: Act
    axis: int = 0
    sign: int = 0


#: Every key.
KEYS = (
    Key(('w', 'up'), 'x or coxa, up', Act.MOVE, 0, 1),
    Key(('s', 'down'), 'x or coxa, down', Act.MOVE, 0, -1),
    Key(('a', 'left'), 'y or femur, up', Act.MOVE, 1, 1),
    Key(('d', 'right'), 'y or femur, down', Act.MOVE, 1, -1),
    Key(('r', 'page up'), 'z or tibia, up', Act.MOVE, 2, 1),
    Key(('f', 'page down'), 'z or tibia, down', Act.MOVE, 2, -1),
    Key(('k',), 'keep this place', Act.KEEP),
    Key(('u',), 'undo: take it back', Act.UNDO),
    Key(('q',), 'leave', Act.LEAVE),
    Key(('o',), 'leave, pulses off', Act.RELEASE),
    Key(('+', '='), 'larger steps', Act.LARGER),
    Key(('-',), 'smaller steps', Act.SMALLER),
    Key(('m',), 'foot or joint', Act.MODE),
    Key(('c',), 'other frame', Act.FRAME),
    Key(('n', 'tab'), 'next leg', Act.NEXT_LEG),
    Key(('p', 'shift tab'), 'previous leg', Act.PREVIOUS_LEG),
)

_BY_NAME = {name: key for key in KEYS for name in key.names}


@dataclass(frozen=True, slots=True)
class Pressed:
    """What a key has led to.

    Attributes
    ----------
    words
        For whoever pressed it; empty where the screen shows it anyway.
    step
        What shall be moved; None for nothing.
    leave
        How to leave; None to stay.

    """

    words: str = ''
    step: FeetStep | None = None
    leave: Leave | None = None


class Jogging:
    """What somebody at the keys has chosen, and kept.

    Parameters
    ----------
    calibrated
        The robot with its servo maps.
    leg
        The leg to begin with; the first one where none is named.
    frame
        The frame to begin with.
    leave
        What the key for leaving leaves behind.

    Attributes
    ----------
    leg, mode, frame
        What is chosen.
    kept
        The steps that were kept.

    """

    def __init__(
        self,
        calibrated: CalibratedRobot,
        leg: str = '',
        *,
        frame: Frame = Frame.RESTING,
        leave: Leave = Leave.HOLD,
    ) -> None:
        """Choose a leg, its foot and the middle step."""
        self._legs = {each.name: each for each in calibrated.legs}
        self._names = calibrated.robot.leg_names
        self._frames = LegFrames(calibrated.robot)
        self._size = {Mode.FOOT: 1, Mode.JOINT: 1}
        self._leave = leave
        self._asked_for_release = False
        self._kept: list[tuple[FeetStep, Angles]] = []
        self._angles_before: Angles | None = None
        self.leg = leg or self._names[0]
        self.mode = Mode.FOOT
        self.frame = frame

    @property
    def size(self) -> float:
        """What a key moves, m or rad."""
        sizes = FOOT_STEPS if self.mode is Mode.FOOT else JOINT_STEPS
        return sizes[self._size[self.mode]]

    @property
    def kept(self) -> tuple[FeetStep, ...]:
        """The steps that were kept."""
        return tuple(step for step, _ in self._kept)

    # ---- keys

    def press(self, name: str, angles: Angles, hindrance: str = '') -> Pressed:
        """Take a key.

        Parameters
        ----------
        name
            Of the key.
        angles
            Where the joints stand, rad.
        hindrance
            Why nothing may be moved or kept now; empty where it may.

        """
        key = _BY_NAME.get(name)
        if key is None:
            return Pressed(f'{name!r} is no key here')
        if self._angles_before is None:
            self._angles_before = angles
        asked, self._asked_for_release = self._asked_for_release, False
        if hindrance and key.act in {Act.MOVE, Act.KEEP}:
            return Pressed(f'{key.names[0]} does nothing now: {hindrance}')
        match key.act:
            case Act.MOVE:
                pressed = self._move(key, angles)
            case Act.KEEP:
                pressed = self._keep(angles)
            case Act.UNDO:
                pressed = self._undo()
            case Act.LEAVE:
                pressed = Pressed(leave=self._leave)
            case Act.RELEASE:
                pressed = self._release(asked=asked)
            case _:
                pressed = self._choose(key.act)
        return pressed

    def _choose(self, act: Act) -> Pressed:
        """Choose something else; nothing moves."""
        match act:
            case Act.MODE:
                self.mode = _next(tuple(Mode), self.mode)
            case Act.FRAME:
                self.frame = _next(tuple(Frame), self.frame)
            case Act.NEXT_LEG | Act.PREVIOUS_LEG:
                if len(self._names) == 1:
                    return Pressed('there is no other leg')
                self.leg = _next(self._names, self.leg, 1 if act is Act.NEXT_LEG else -1)
            case Act.LARGER | Act.SMALLER:
                size = self._size[self.mode] + (1 if act is Act.LARGER else -1)
                if not 0 <= size < len(FOOT_STEPS):
                    return Pressed(f'no {"larger" if size > 0 else "smaller"} step than this')
                self._size[self.mode] = size
        return Pressed()

    def _move(self, key: Key, angles: Angles) -> Pressed:
        return (
            self._move_foot(key, angles)
            if self.mode is Mode.FOOT
            else self._turn_joint(key, angles)
        )

    def _move_foot(self, key: Key, angles: Angles) -> Pressed:
        """Go along an axis of the frame; whether the leg can is for the planner to say."""
        foot = self._legs[self.leg].foot(self._of_leg(angles))
        place = self._frames.coordinates(self.leg, self.frame, foot)
        x, y, z = along(place, key.axis, key.sign * self.size)
        return Pressed(step=FeetStep({self.leg: Place(self.frame, x, y, z)}))

    def _turn_joint(self, key: Key, angles: Angles) -> Pressed:
        """Turn one joint, if the leg can be brought to stand like that by its foot."""
        leg = self._legs[self.leg]
        wanted = along(self._of_leg(angles), key.axis, key.sign * self.size)
        try:
            leg.check(wanted)
            foot = leg.foot(wanted)
            found = leg.angles(foot, wanted[0])
        except LegKinematicsError as error:
            return Pressed(str(error))
        if any(abs(a - b) > SAME_ANGLE for a, b in zip(found, wanted, strict=True)):
            return Pressed(
                f'with {leg.joints[key.axis]} at {degrees(wanted[key.axis]):.2f} deg the leg would '
                'stand with its knee down, or its foot behind the coxa axis: it is not moved there'
            )
        return Pressed(step=FeetStep({self.leg: Place(Frame.BODY, *foot)}))

    def _keep(self, angles: Angles) -> Pressed:
        """Keep where the chosen foot is, and all that moved since the last step that was kept."""
        before = self._kept[-1][1] if self._kept else self._angles_before
        places = {
            name: self._kept_place(name, three)
            for name, three, old in zip(self._names, angles, before or angles, strict=True)
            if name == self.leg or self._apart(name, three, old) > UNMOVED
        }
        self._kept.append((FeetStep(places), angles))
        return Pressed(f'kept as step {len(self._kept)}: {", ".join(places)}')

    def _undo(self) -> Pressed:
        """Take back the last step that was kept."""
        if not self._kept:
            return Pressed('nothing was kept that could be taken back')
        self._kept.pop()
        return Pressed(f'taken back: step {len(self._kept) + 1}; nothing moves')

    def _release(self, *, asked: bool) -> Pressed:
        """Leave without power, once it was asked for twice."""
        if asked:
            return Pressed(leave=Leave.RELEASE)
        self._asked_for_release = True
        return Pressed(
            'the pulses go off and the legs drop: press it once more, any other key to stay'
        )

    def _kept_place(self, name: str, three: Vector) -> Place:
        """Give a place in round numbers, the nearest that the leg can take."""
        leg = self._legs[name]
        exact = self._frames.coordinates(name, self.frame, leg.foot(three))
        round_ones = product(*((floor(each / GRAIN), ceil(each / GRAIN)) for each in exact))
        places = [(i * GRAIN, j * GRAIN, k * GRAIN) for i, j, k in round_ones]
        for x, y, z in sorted(places, key=lambda place: dist(place, exact)):
            if can_stand(leg, self._frames.point(name, self.frame, (x, y, z))):
                return Place(self.frame, x, y, z)
        return Place(self.frame, *exact)

    def _apart(self, name: str, three: Vector, other: Vector) -> float:
        """How far apart the feet of two postures of a leg are, m."""
        leg = self._legs[name]
        return dist(leg.foot(three), leg.foot(other))

    def _of_leg(self, angles: Angles) -> Vector:
        return angles[self._names.index(self.leg)]


T = TypeVar('T')


def _next(of: Sequence[T], now: T, by: int = 1) -> T:
    return of[(of.index(now) + by) % len(of)]
