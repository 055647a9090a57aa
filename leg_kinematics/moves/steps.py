# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What somebody can ask for, step by step, as plain values."""

import enum
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import tau

from leg_kinematics.moves.places import Place

#: Stands for every leg that is not named beside it.
ALL = 'all'


@dataclass(frozen=True, slots=True)
class Haste:
    """How long a move may take; longer where the servos need it.

    Attributes
    ----------
    time
        s; None to go by the speed.
    speed
        Highest speed of the fastest foot as seen from the body, m/s.

    """

    time: float | None = None
    speed: float = 0.06


class Posture(enum.StrEnum):
    """The two postures of the description."""

    STANDING = 'standing'
    RESTING = 'resting'


@dataclass(frozen=True, slots=True)
class FeetStep:
    """Feet go to their places, by the names of their legs, straight and together; others stay."""

    places: Mapping[str, Place]
    haste: Haste = field(default_factory=Haste)
    where: str = ''


@dataclass(frozen=True, slots=True)
class CircleStep:
    """Feet go round centres, each on the circle that it is on.

    Attributes
    ----------
    centres
        By the names of the legs; a centre has two coordinates, and the circle lies in their plane.
    turn
        How far round, from the first of these axes towards the second, rad; less than zero the
        other way round.

    """

    centres: Mapping[str, Place]
    turn: float = tau
    haste: Haste = field(default_factory=Haste)
    where: str = ''


@dataclass(frozen=True, slots=True)
class BodyStep:
    """The body moves over its feet, which stay where they are on the ground.

    `offset` has x, y, z (m) and roll, pitch, yaw (rad) from the level body; None for a component
    that it keeps.
    """

    offset: tuple[float | None, ...]
    haste: Haste = field(default_factory=Haste)
    where: str = ''


@dataclass(frozen=True, slots=True)
class PostureStep:
    """The robot stands up, or lies down."""

    posture: Posture
    haste: Haste = field(default_factory=Haste)
    where: str = ''


@dataclass(frozen=True, slots=True)
class WaitStep:
    """Nothing moves for so many seconds."""

    time: float
    where: str = ''


#: `where` is the place in its file, such as `steps[2]`, of a step that came from one.
Step = FeetStep | CircleStep | BodyStep | PostureStep | WaitStep
