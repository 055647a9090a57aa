# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Robots that nobody knows, measured by a person who errs: where their feet land then.

Lengths ± 2 mm, mounts ± 1 mm and ± 2 degrees, servos of any gain, sign and bend. The person reads
within ± 1 degree and ± 0.5 mm (95 %: standard deviations of 0.5 degrees and 0.25 mm) and mistypes
2 % of the numbers.

Errors of feet are those that are left when all feet are moved together as well as they can be:
where `base_link` is in the body nobody can measure.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from itertools import count
from math import radians
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from leg_kinematics.calibration import ServoMap
from leg_kinematics.calibration.foot_readings import AT_TIP, FootOnGround, LegStand, Triple
from leg_kinematics.calibration.measured import Reading, fit_servo_map
from leg_kinematics.errors import CalibrationError, DescriptionError
from leg_kinematics.identification.approach import Point
from leg_kinematics.identification.evidence import Evidence, FootSeen
from leg_kinematics.identification.fit import Identified, identify
from leg_kinematics.identification.points import ruler_points, touch_points
from leg_kinematics.identification.room import Room
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver import leg_solvers

if TYPE_CHECKING:
    from test.unknown_robot import FINE, Ground, Measurer, UnknownRobot, aligned
else:
    from unknown_robot import FINE, Ground, Measurer, UnknownRobot, aligned

BRACKEN = load_robot(Path(__file__).parents[1] / 'config/robots/bracken.yaml')

#: Smaller typing errors are as a ruler and a protractor may be misread: m and rad.
TELLING = {'foot': 2e-3, 'reading': radians(5.0)}

#: So far a joint has come when it is known from which side, µs.
COME_US = 30.0

#: At so many stands of each leg the feet are compared, between ground and this height, m.
COMPARED, UP_TO = 30, 0.080

#: What was typed: kind, name of joint or leg, place, coordinate.
Number = tuple[str, str, int, str]


@dataclass
class Measured:
    """What a person measured on a robot, and which numbers are mistyped, by how much."""

    true: UnknownRobot
    ground: Ground
    rng: np.random.Generator
    person: Measurer
    wrong: dict[Number, float] = field(default_factory=dict)
    readings: dict[str, tuple[Reading, ...]] = field(default_factory=dict)
    feet: list[FootSeen] = field(default_factory=list)
    touches: list[FootOnGround] = field(default_factory=list)
    marker: Triple = AT_TIP

    @classmethod
    def begin(cls, robot: Robot, seed: int, person: Measurer) -> 'Measured':
        """Draw a robot, and read the angles of its joints."""
        rng = np.random.default_rng(seed)
        true = UnknownRobot.draw(rng, robot)
        result = cls(true, Ground.draw(rng, robot.standing.height), rng, person)
        for leg in true.legs.values():
            for place, joint in enumerate(leg.leg.joints):
                result.readings[joint], wrong = person.angles(leg, place, rng)
                for reading, error in wrong.items():
                    result.wrong['reading', joint, reading, 'angle'] = error
        return result

    def read(self, name: str, stand: LegStand) -> None:
        """Read where a foot is, by ruler."""
        foot, wrong = self.person.foot(self.true.legs[name], stand, self.ground, self.rng)
        for axis, error in zip('xyz', wrong, strict=True):
            if error:
                self.wrong['foot', name, len(self.feet), axis] = error
        self.feet.append(foot)

    @property
    def evidence(self) -> Evidence:
        """All of it."""
        return Evidence(self.readings, tuple(self.feet), tuple(self.touches), self.marker)


#: What is measured at the feet of one robot.
Way = Callable[[Measured], None]


def by_ruler(points: int) -> Way:
    """Read so many points of every leg, drawn at random."""

    def measure(robot: Measured) -> None:
        for name in robot.true.legs:
            for _ in range(points):
                robot.read(name, robot.true.stand(robot.rng, name, robot.ground))

    return measure


def present_maps(robot: Measured) -> dict[str, ServoMap]:
    """Make servo maps of the angles read off, as the builder has them before feet are measured."""
    described = robot.true.robot
    links = [link for leg in described.legs for link in leg.links]
    maps = {}
    for channel, (joint, link) in enumerate(zip(described.joints, links, strict=True)):
        fit = fit_servo_map(robot.readings[joint], link.servo, (link.lower, link.upper))
        maps[joint] = ServoMap(joint, 'main', channel, fit.curve, *robot.true.spans_us[joint])
    return maps


def room_of(robot: Measured) -> Room:
    """Put the robot on a block as high as it stands."""
    described = robot.true.robot
    ranges = {joint: each.angle_range for joint, each in present_maps(robot).items()}
    return Room(described, leg_solvers(described, ranges), described.standing.height)


def rests(robot: Measured) -> bool:
    """Tell whether there are maps, and whether they reach the resting posture.

    Otherwise the builder is told to read angles again, or to fit horns anew, before any foot is
    measured: it is another robot then.
    """
    try:
        room_of(robot)
    except (CalibrationError, DescriptionError):
        return False
    return True


def by_points(points: int) -> Way:
    """Read so many points of every leg, chosen by what they tell."""

    def measure(robot: Measured) -> None:
        room, maps, known = room_of(robot), present_maps(robot), identified(robot)
        for name in robot.true.legs:
            for point in ruler_points(room, maps, known, name, points):
                robot.read(name, point.stand)

    return measure


def by_touch_points(touches: int) -> Way:
    """Lower every foot so many times, where that tells the most, until it touches the ground."""

    def measure(robot: Measured) -> None:
        room, maps, known = room_of(robot), present_maps(robot), identified(robot)
        for name in robot.true.legs:
            for point in touch_points(room, maps, known, name, touches):
                robot.touches.append(FootOnGround(lowered(robot, room, maps, point), 1))

    return measure


def lowered(robot: Measured, room: Room, maps: Mapping[str, ServoMap], point: Point) -> LegStand:
    """Lower a foot straight down in fine steps until it touches; return how its leg stands."""
    leg, solver, stand = robot.true.legs[point.leg], room.leg(point.leg), point.stand
    touched = robot.rng.normal(0.0, robot.person.slip)
    x, y, z = point.foot
    depth = 0.0
    while robot.ground.seen(leg.point(stand.pulses_us, stand.sides))[2] > touched:
        depth += FINE
        angles = solver.angles((x, y, z - depth))
        pairs = zip(solver.joints, angles, strict=True)
        coxa, femur, tibia = (round(maps[joint].pulse_us(angle), 1) for joint, angle in pairs)
        one, two, last = (
            int(np.sign(now - was)) if abs(now - was) >= COME_US else 0
            for now, was in zip((coxa, femur, tibia), point.stand.pulses_us, strict=True)
        )
        stand = LegStand(point.leg, (coxa, femur, tibia), (one, two, last))
    return stand


def identified(robot: Measured) -> Identified:
    """Identify a robot of all that was measured so far."""
    return identify(robot.true.robot, robot.true.spans_us, robot.evidence)


def by_ground(touches: int) -> Way:
    """Touch the ground so many times with every foot, at random places."""

    def measure(robot: Measured) -> None:
        for name in robot.true.legs:
            for _ in range(touches):
                robot.touches.append(robot.person.touch(robot.true, name, robot.ground, robot.rng))

    return measure


@dataclass
class Campaign:
    """What came out of many robots; feet in mm."""

    before: list[float] = field(default_factory=list)
    after: list[float] = field(default_factory=list)
    worst: list[float] = field(default_factory=list)
    feet_covered: list[float] = field(default_factory=list)
    values_covered: list[float] = field(default_factory=list)
    angles_covered: list[float] = field(default_factory=list)
    found: int = 0
    mistyped: int = 0
    small: int = 0
    false_alarms: list[int] = field(default_factory=list)

    def add(self, measured: Measured, fit: Identified) -> None:
        """Compare a fit with the truth."""
        true, rng = measured.true, measured.rng
        stands = [
            true.stand(rng, name, measured.ground, (0.0, UP_TO))
            for name in true.legs
            for _ in range(COMPARED)
        ]
        truth = np.array([true.legs[each.leg].point(each.pulses_us) for each in stands])
        sold = np.array([true.legs[each.leg].sold(each.pulses_us) for each in stands])
        fitted = fit.feet([replace(each, sides=(0, 0, 0)) for each in stands])
        off = aligned(fitted, truth) - truth
        errors = 1e3 * np.linalg.norm(off, axis=1)
        self.before += (1e3 * np.linalg.norm(aligned(sold, truth) - truth, axis=1)).tolist()
        self.after += errors.tolist()
        self.worst.append(float(errors.max()))
        self.feet_covered.append(float(np.mean(np.abs(off) <= 1.96 * fit.foot_spread(stands))))
        self._add_values(true, fit)
        self._add_suspects(measured, fit)

    def _add_values(self, true: UnknownRobot, fit: Identified) -> None:
        for name, leg in true.legs.items():
            own = fit.legs[name]
            for known, value in zip(
                (*own.lengths, *own.position, *own.turn),
                (*leg.lengths, *leg.position, *leg.turn.as_rotvec()),
                strict=True,
            ):
                self.values_covered.append(abs(known.value - value) <= known.half_width)
            for place, joint in enumerate(leg.leg.joints):
                low, high = leg.spans_us[place]
                for pulse in np.linspace(low, high, 9).tolist():
                    off = fit.joints[joint].angle(pulse) - radians(leg.angle(place, pulse))
                    spread = fit.angle_spread(joint, pulse)
                    self.angles_covered.append(abs(off) <= 1.96 * spread)

    def _add_suspects(self, measured: Measured, fit: Identified) -> None:
        named = {(each.kind, each.name, each.place, each.coordinate) for each in fit.suspects}
        telling = {each for each, error in measured.wrong.items() if error >= TELLING[each[0]]}
        self.mistyped += len(telling)
        self.small += len(measured.wrong) - len(telling)
        self.found += len(telling & named)
        self.false_alarms.append(len(named - set(measured.wrong)))

    def __str__(self) -> str:
        """Return the numbers in words."""
        before, after = (np.percentile(each, [50, 95]) for each in (self.before, self.after))
        feet, values, angles = (
            100.0 * float(np.mean(each))
            for each in (self.feet_covered, self.values_covered, self.angles_covered)
        )
        return (
            f'{len(self.worst)} robots. Error of feet, median and 95 %: before {before[0]:.1f}, '
            f'{before[1]:.1f}, after {after[0]:.2f}, {after[1]:.2f} mm, the worst foot of a robot '
            f'{np.median(self.worst):.1f} mm (median), {max(self.worst):.1f} mm (largest). 95 % '
            f'intervals hold feet in {feet:.1f} %, lengths and mounts in {values:.1f} %, angles in '
            f'{angles:.1f} %. Of {self.mistyped} typing errors that tell {self.found} were found, '
            f'with {sum(self.false_alarms)} false alarms, {max(self.false_alarms)} at most on a '
            f'robot; {self.small} errors were smaller.'
        )


def campaign(
    robots: int, *ways: Way, person: Measurer | None = None, legs: int = 6, first: int = 0
) -> Campaign:
    """Measure robots, each drawn from its number.

    Parameters
    ----------
    robots
        How many.
    ways
        What is measured at their feet.
    person
        Who measures; one who mistypes 2 % unless told.
    legs
        The first so many of bracken.
    first
        Number of the first robot.

    """
    result = Campaign()
    robot = BRACKEN.part(BRACKEN.leg_names[:legs])
    for seed in count(first):
        if len(result.worst) == robots:
            break
        measured = Measured.begin(robot, seed, person or Measurer(mistypes=0.02))
        if not rests(measured):
            continue
        for way in ways:
            way(measured)
        result.add(measured, identified(measured))
    print(result)  # noqa: T201 - with pytest -s
    return result
