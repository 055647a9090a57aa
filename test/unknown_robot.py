# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Robots whose true lengths, mounts and maps nobody is told, and a person with a ruler.

Their feet are worked out by rotations one after another, not by the formulas of the package.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import cos, degrees, radians, sin
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from leg_kinematics.calibration.foot_readings import FootOnGround, LegStand
from leg_kinematics.calibration.measured import Reading
from leg_kinematics.identification.evidence import FootSeen
from leg_kinematics.robot import Leg, Robot

if TYPE_CHECKING:
    from test.unknown_servo import UnknownServo, mistyped_number
else:
    from unknown_servo import UnknownServo, mistyped_number

Floats = NDArray[np.float64]

#: The map of a builder who believes the seller: 180 degrees over 2000 µs, in µs per degree.
SOLD_GAIN = 2000.0 / 180.0

#: Pulses that the builder sends at most, µs.
PULSES_US = (600.0, 2400.0)

#: So far within the ends angles are read, µs.
INSET_US = 30.0

#: By so much a foot is lowered at once before it touches, m.
FINE = 0.5e-3

#: So high above the ground feet are measured with a ruler, m.
ABOVE_GROUND = (0.010, 0.080)


def about_y(angle: float) -> Floats:
    """Turn about y by the right hand, rad."""
    return np.array(
        [[cos(angle), 0.0, sin(angle)], [0.0, 1.0, 0.0], [-sin(angle), 0.0, cos(angle)]]
    )


def about_z(angle: float) -> Floats:
    """Turn about z by the right hand, rad."""
    return np.array(
        [[cos(angle), -sin(angle), 0.0], [sin(angle), cos(angle), 0.0], [0.0, 0.0, 1.0]]
    )


@dataclass(frozen=True)
class UnknownLeg:
    """The truth about a leg.

    Attributes
    ----------
    leg
        As described.
    lengths
        m.
    position
        Of the mount in `base_link`, m.
    turn
        By which the mount is turned about its own axes, beyond the description.
    servos
        Of coxa, femur and tibia; their angles count from the middle of the limits of the joint.
    marker
        From the tip, in the frame of the tibia: along it, to the left, and up, m.

    """

    leg: Leg
    lengths: Floats
    position: Floats
    turn: Rotation
    servos: tuple[UnknownServo, UnknownServo, UnknownServo]
    marker: Floats = field(default_factory=lambda: np.zeros(3))

    @cached_property
    def middles(self) -> tuple[float, float, float]:
        """Of the limits of the joints, deg: how well horns are fitted is in the servos."""
        coxa, femur, tibia = (degrees(link.lower + link.upper) / 2.0 for link in self.leg.links)
        return (coxa, femur, tibia)

    def angle(self, joint: int, pulse_us: float) -> float:
        """Return the angle of a joint in the middle of slack and dead band, deg."""
        return self.middles[joint] + self.servos[joint].angle(pulse_us)

    def stands(self, joint: int, pulse_us: float, side: int) -> float:
        """Return the angle of a joint that came from a side, or the middle with 0, deg."""
        servo = self.servos[joint]
        return self.angle(joint, pulse_us) - servo.sign * side * servo.hysteresis / 2.0

    @cached_property
    def spans_us(self) -> tuple[tuple[float, float], ...]:
        """Between which pulses each joint is within its limits, µs."""
        pulses = np.arange(PULSES_US[0], PULSES_US[1] + 1.0, 10.0)
        found = []
        for joint, link in enumerate(self.leg.links):
            angles = np.radians([self.angle(joint, pulse) for pulse in pulses.tolist()])
            free = pulses[(angles >= link.lower) & (angles <= link.upper)]
            found.append((float(free[0]), float(free[-1])))
        return tuple(found)

    def point(
        self,
        pulses_us: Sequence[float],
        sides: Sequence[int] = (0, 0, 0),
        *,
        marker: bool = False,
    ) -> Floats:
        """Return where the foot, or its marker, is in `base_link`, m."""
        coxa, femur, tibia = (
            radians(self.stands(joint, pulse, side))
            for joint, (pulse, side) in enumerate(zip(pulses_us, sides, strict=True))
        )
        # Positive angles of femur and tibia raise the foot: they turn about -y.
        of_coxa, of_femur, of_tibia = np.outer(self.lengths, (1.0, 0.0, 0.0))
        at = of_tibia + (self.marker if marker else 0.0)
        at = of_femur + about_y(-tibia) @ at
        at = of_coxa + about_y(-femur) @ at
        found: Floats = self._mount @ about_z(coxa) @ at + self.position
        return found

    @cached_property
    def _mount(self) -> Floats:
        # Roll, pitch and yaw about fixed axes (REP 103).
        matrix: Floats = (Rotation.from_euler('xyz', self.leg.mount.rpy) * self.turn).as_matrix()
        return matrix

    def sold(self, pulses_us: Sequence[float]) -> Floats:
        """Return where the builder believes the foot to be before anything is measured, m."""
        servos = tuple(UnknownServo(servo.sign, SOLD_GAIN, 0.0) for servo in self.servos)
        lengths = np.array([link.length for link in self.leg.links])
        position = np.array(self.leg.mount.position)
        believed = UnknownLeg(self.leg, lengths, position, Rotation.identity(), servos)  # type: ignore[arg-type]
        return believed.point(pulses_us)


@dataclass(frozen=True)
class Ground:
    """Where the sheet with the grid truly lies, in `base_link`."""

    position: Floats
    turn: Rotation

    @classmethod
    def draw(cls, rng: np.random.Generator, height: float) -> 'Ground':
        """Draw one nearly level, that a person put below the robot."""
        position = [*rng.uniform(-10e-3, 10e-3, 2), -height + rng.uniform(-8e-3, 8e-3)]
        turn = np.radians([*rng.uniform(-1.0, 1.0, 2), rng.uniform(-2.0, 2.0)])
        return cls(np.array(position), Rotation.from_rotvec(turn))

    def seen(self, point: Floats) -> Floats:
        """Return a point of `base_link` in the frame of the sheet, m."""
        found: Floats = self._axes @ (point - self.position)
        return found

    @cached_property
    def _axes(self) -> Floats:
        matrix: Floats = self.turn.inv().as_matrix()
        return matrix


@dataclass(frozen=True)
class UnknownRobot:
    """The truth about a robot."""

    robot: Robot
    legs: Mapping[str, UnknownLeg]

    @classmethod
    def draw(cls, rng: np.random.Generator, robot: Robot) -> 'UnknownRobot':
        """Draw one that was built of a description: ± 2 mm, ± 1 mm, ± 2 deg, any servos."""
        legs = {}
        for leg in robot.legs:
            described = np.array([link.length for link in leg.links])
            servos = tuple(UnknownServo.draw(rng) for _ in range(3))
            legs[leg.name] = UnknownLeg(
                leg=leg,
                lengths=described + rng.uniform(-2e-3, 2e-3, 3),
                position=np.array(leg.mount.position) + rng.uniform(-1e-3, 1e-3, 3),
                turn=Rotation.from_rotvec(np.radians(rng.uniform(-2.0, 2.0, 3))),
                servos=servos,  # type: ignore[arg-type]
                marker=rng.normal(0.0, 0.5e-3, 3),
            )
        return cls(robot, legs)

    @property
    def spans_us(self) -> dict[str, tuple[float, float]]:
        """Of all joints, µs."""
        return {
            joint: span
            for leg in self.legs.values()
            for joint, span in zip(leg.leg.joints, leg.spans_us, strict=True)
        }

    def stand(
        self,
        rng: np.random.Generator,
        name: str,
        ground: Ground,
        heights: tuple[float, float] = ABOVE_GROUND,
    ) -> LegStand:
        """Draw how a leg stands with its foot at some height above the ground."""
        leg = self.legs[name]
        while True:
            coxa, femur, tibia = (round(float(rng.uniform(*span))) for span in leg.spans_us)
            one, two, last = (int(side) for side in rng.choice([-1, 1], 3))
            stand = LegStand(name, (coxa, femur, tibia), (one, two, last))
            height = ground.seen(leg.point(stand.pulses_us, stand.sides))[2]
            if heights[0] <= height <= heights[1]:
                return stand

    def touch(self, rng: np.random.Generator, name: str, ground: Ground) -> LegStand:
        """Lower a foot from somewhere until it touches the ground, by pulses of its femur."""
        leg = self.legs[name]
        way = -leg.servos[1].sign
        while True:
            stand = self.stand(rng, name, ground)
            coxa, femur, tibia = stand.pulses_us
            low, high = leg.spans_us[1]
            sides = (stand.sides[0], way, stand.sides[2])
            while low <= femur <= high:
                height = ground.seen(leg.point((coxa, femur, tibia), sides))[2]
                if height <= 0.0:
                    return LegStand(name, (coxa, femur, tibia), sides)
                # Half a microsecond is what boards resolve; a foot comes down by 0.1 mm with it.
                femur += way * max(0.5, 0.4 * float(np.floor(height / 0.2e-3)))


@dataclass(frozen=True)
class Measurer:
    """Who measures with protractor and ruler, and types.

    The ± 1 degree and ± 0.5 mm of good work are 95 %: twice these standard deviations.

    Attributes
    ----------
    protractor
        Standard deviation of an angle before it is rounded to a degree, deg.
    ruler
        Of a coordinate before it is rounded to half a millimetre, m.
    slip
        Of the height at which a foot is held to touch, m; the last of the steps by which it is
        lowered goes anywhere beyond that.
    mistypes
        How often, as a share of all numbers.

    """

    protractor: float = 0.5
    ruler: float = 0.25e-3
    slip: float = 0.1e-3
    mistypes: float = 0.0

    def angles(
        self, leg: UnknownLeg, joint: int, rng: np.random.Generator, pulses: int = 7
    ) -> tuple[tuple[Reading, ...], dict[int, float]]:
        """Read a joint at pulses from both sides.

        Returns
        -------
        tuple
            The readings, and by place how much those are off that were mistyped, rad.

        """
        low, high = leg.spans_us[joint]
        way = [round(pulse) for pulse in np.linspace(low + INSET_US, high - INSET_US, pulses)]
        readings: list[Reading] = []
        wrong: dict[int, float] = {}
        for side, pulses_us in ((1, way), (-1, way[::-1])):
            for pulse in pulses_us:
                seen = leg.stands(joint, pulse, side) + rng.normal(0.0, self.protractor)
                typed = self._typed(round(seen), rng)
                if typed != round(seen):
                    wrong[len(readings)] = radians(abs(typed - round(seen)))
                readings.append(Reading(pulse, radians(typed), 'up' if side > 0 else 'down'))
        return tuple(readings), wrong

    def foot(
        self, leg: UnknownLeg, stand: LegStand, ground: Ground, rng: np.random.Generator
    ) -> tuple[FootSeen, tuple[float, float, float]]:
        """Read where a foot is.

        Returns
        -------
        tuple
            The position, and by how much each coordinate is mistyped, m.

        """
        true = ground.seen(leg.point(stand.pulses_us, stand.sides))
        typed, wrong = [], []
        for coordinate in true.tolist():
            read = coordinate + rng.normal(0.0, self.ruler)
            halves = round(read / 0.5e-3)
            whole = halves // 2
            number = self._typed(whole, rng)
            typed.append((halves % 2 + 2 * number) * 0.5e-3)
            wrong.append(abs(number - whole) * 1e-3)
        variance = 0.25e-3**2
        covariance = ((variance, 0.0, 0.0), (0.0, variance, 0.0), (0.0, 0.0, variance))
        x, y, z = typed
        return FootSeen(stand, 1, (x, y, z), covariance), (wrong[0], wrong[1], wrong[2])

    def touch(
        self, robot: UnknownRobot, name: str, ground: Ground, rng: np.random.Generator
    ) -> FootOnGround:
        """Lower a foot until it touches, as well as that is felt."""
        beyond = rng.normal(0.0, self.slip) - rng.uniform(0.0, FINE)
        up = np.array((0.0, 0.0, beyond))
        higher = Ground(ground.position + up, ground.turn)
        return FootOnGround(robot.touch(rng, name, higher), 1)

    def _typed(self, number: int, rng: np.random.Generator) -> int:
        return mistyped_number(number, rng) if rng.random() < self.mistypes else number


def aligned(points: Floats, onto: Floats) -> Floats:
    """Move points as a whole so that they are nearest to others.

    Kabsch, A solution for the best rotation to relate two sets of vectors, 1976, as scipy has it.
    """
    turn, _ = Rotation.align_vectors(onto - onto.mean(axis=0), points - points.mean(axis=0))
    moved: Floats = turn.apply(points - points.mean(axis=0)) + onto.mean(axis=0)
    return moved
