# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a walk may ask of each leg: how far its foot strays and how fast the ground goes by.

Reach, servos and support each bound it. They depend on the pose of the body and on the duty factor
and are worked out when one of them changes, not in every tick.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from math import ceil, floor, hypot, isfinite

from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.gait.body_offset import Offset
from leg_kinematics.gait.effort import PARTS, way_times
from leg_kinematics.gait.foot import LANDING_FIXED
from leg_kinematics.gait.limits import swing_overshoot
from leg_kinematics.gait.parameters import GaitParameters
from leg_kinematics.gait.phases import LOWEST_DUTY_FACTOR, Cycle, Phases
from leg_kinematics.gait.planar import Point
from leg_kinematics.gait.servo_speed import HEADINGS, fastest_stances, liftable_radius
from leg_kinematics.gait.support import least_margin, projected
from leg_kinematics.gait.workspace import stride_radii
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, centre_of_mass, posture_angles

#: A foot that cannot go this far from its neutral point cannot walk, m.
SMALLEST_STRIDE = 5e-3

#: Share of the disc that a walk may use; the rest is for what happens between two ticks.
USABLE_SHARE = 0.95

#: Share of the permitted joint speed that a steady walk may use; the rest is for changes.
WALKING_SHARE = 0.85

#: Share of the permitted joint speed that a swing may be planned with; it is looked at in a few
#: instants only, and the body may speed up before it is planned anew.
SWINGING_SHARE = 0.9

#: Share of the permitted joint speed that a change of the body offset may use.
POSING_SHARE = 0.1

#: While the duty factor changes, what it allows is worked out for multiples of this.
DUTY_FACTOR_STEP = 0.05

#: Of a leg that does not walk, m and m/s.
UNBOUNDED = 1e9

#: Poses and duty factors whose envelopes are kept.
REMEMBERED = 128


@dataclass(frozen=True, slots=True)
class Envelope:
    """What a walk may ask, leg by leg; a leg that is carried is `UNBOUNDED`.

    Attributes
    ----------
    radii
        How far a standing foot may be from its neutral point, m.
    fastest
        Highest speed of the ground under it in a steady walk, m/s, for the directions of
        `fastest_stances`.
    margin
        Least static margin over a cycle with all feet at their neutral points, m.
    labels
        Name of each leg, and what bounds its radius where that is not its reach.

    """

    radii: tuple[float, ...]
    fastest: tuple[tuple[float, ...], ...]
    margin: float
    labels: tuple[str, ...]

    @property
    def narrowest(self) -> int:
        """Leg of the smallest radius."""
        return self.radii.index(min(self.radii))


class Envelopes:
    """Works out what a robot may do, and remembers it.

    Parameters
    ----------
    robot
        The description.
    legs
        Its solvers.
    parameters
        How it walks.
    phases
        When each leg touches down.

    Attributes
    ----------
    neutral
        Where each foot passes at mid stance, in `base_link`, m.
    centre
        Centre of mass of the whole robot in its standing posture, in the body, m.
    swinging_speeds
        What the plan of a swing may ask of coxa, femur and tibia of each leg, rad/s.

    """

    def __init__(
        self,
        robot: Robot,
        legs: Sequence[LegSolver],
        parameters: GaitParameters,
        phases: Phases,
    ) -> None:
        """Weigh the robot as it stands."""
        self._robot = robot
        self._legs = tuple(legs)
        self._parameters = parameters
        self._phases = phases
        self._heights = (robot.resting.height, robot.standing.height)
        self.neutral: tuple[Point, ...] = tuple((x, y) for x, y, _ in robot.standing.feet)
        angles = posture_angles(robot, self._legs, 'standing')
        self.centre = centre_of_mass(robot, self._legs, angles)
        self._highest_speeds = _joint_speeds(robot, parameters.speed_share)
        self.swinging_speeds = _joint_speeds(robot, SWINGING_SHARE * parameters.speed_share)
        self._walking_speeds = _joint_speeds(robot, WALKING_SHARE * parameters.speed_share)
        self._posing_speeds = _joint_speeds(robot, POSING_SHARE * parameters.speed_share)
        self._at = lru_cache(REMEMBERED)(self._work_out)
        self._discs = lru_cache(REMEMBERED)(self._work_out_discs)
        self._margin = lru_cache(REMEMBERED)(self._work_out_margin)
        self._stances = lru_cache(REMEMBERED)(self._work_out_stances)

    def at(self, offsets: Sequence[Offset], duty_factor: float, goal: float) -> Envelope:
        """Tell what is allowed in all of some poses, with a duty factor on the way to a goal."""
        if duty_factor == goal:
            low = high = goal
        else:
            low = max(
                LOWEST_DUTY_FACTOR,
                floor(min(duty_factor, goal) / DUTY_FACTOR_STEP) * DUTY_FACTOR_STEP,
            )
            high = ceil(max(duty_factor, goal) / DUTY_FACTOR_STEP) * DUTY_FACTOR_STEP
            high = high if high < 1.0 else max(duty_factor, goal)
        return self._at(tuple(offsets), low, high)

    def check_margin(self, refused: str, envelope: Envelope) -> None:
        """Raise CommandError, which tells what is refused, where a walk would not be steady."""
        least = self._parameters.min_margin + SMALLEST_STRIDE
        if envelope.margin < least:
            raise CommandError(
                f'{refused}: the feet would keep a margin of {envelope.margin * 1e3:.3g} mm, a '
                f'walk needs {least * 1e3:.3g} mm (min_margin and the smallest stride)'
            )

    def check_carried(self) -> None:
        """Raise CommandError where a leg that does not walk cannot be carried."""
        carry_height = self._parameters.carry_height
        for name, leg, point, walks in zip(
            self._robot.leg_names, self._legs, self.neutral, self._phases.walking, strict=True
        ):
            for height in () if walks else self._heights:
                try:
                    leg.angles((*point, carry_height - height))
                except LegKinematicsError as error:
                    raise CommandError(
                        f'{name} cannot be carried {carry_height:g} m above the ground ({error}); '
                        'change carry_height'
                    ) from error

    def posing_times(self, now: Offset, goal: Offset, envelope: Envelope) -> list[list[float]]:
        """Tell what time a foot of each leg needs for a change of pose, s.

        In its place and at four points of its rim; infinite where it is out of reach on the way.
        A leg that is carried needs none.
        """
        way = _way(now, goal)
        times: list[list[float]] = []
        for leg, (x, y, z), speeds, radius, walks in zip(
            self._legs,
            self._robot.standing.feet,
            self._posing_speeds,
            envelope.radii,
            self._phases.walking,
            strict=True,
        ):
            rim = ((0.0, 0.0), (radius, 0.0), (-radius, 0.0), (0.0, radius), (0.0, -radius))
            feet = [(x + dx, y + dy, z) for dx, dy in rim]
            times.append(way_times(leg, speeds, feet, way) if walks else [])
        return times

    def stand_time(self) -> float:
        """Tell what time the body needs from its resting to its standing height, s."""
        low, high = (Offset((0.0, 0.0, height)) for height in self._heights)
        way = _way(low, high)
        times: list[float] = []
        for leg, speeds, point, walks in zip(
            self._legs, self._highest_speeds, self.neutral, self._phases.walking, strict=True
        ):
            if walks:
                times += way_times(leg, speeds, [(*point, 0.0)], way)
        return max(self._parameters.stand_time, *filter(isfinite, times))

    def _work_out(self, offsets: tuple[Offset, ...], low: float, high: float) -> Envelope:
        steps = ceil((high - low) / DUTY_FACTOR_STEP)
        factors = {low, high, *(low + DUTY_FACTOR_STEP * step for step in range(1, steps))}
        margin = min(self._margin(offset, factor) for offset, factor in product(offsets, factors))
        spare = margin - self._parameters.min_margin
        radii, labels = [], []
        discs = (min(each) for each in zip(*map(self._discs, offsets), strict=True))
        for name, point, disc, walks in zip(
            self._robot.leg_names, self.neutral, discs, self._phases.walking, strict=True
        ):
            reach = self._stride(USABLE_SHARE * disc, swing_overshoot(low), low, hypot(*point))
            support = self._stride(spare, 1.0, low, hypot(*point))
            radii.append(min(reach, support) if walks else UNBOUNDED)
            labels.append(
                f'{name}, to keep {self._parameters.min_margin:g} m of the margin {margin:.3g} m'
                if support < reach
                else name
            )
        stances = [self._stances(offset, high, tuple(radii)) for offset in offsets]
        fastest = tuple(
            tuple(map(min, zip(*leg, strict=True))) for leg in zip(*stances, strict=True)
        )
        return Envelope(tuple(radii), fastest, margin, tuple(labels))

    def _work_out_discs(self, offset: Offset) -> tuple[float, ...]:
        depth = self._parameters.search_depth if self._parameters.contacts else 0.0
        lift = self._parameters.lift + depth
        feet = self._robot.standing.feet
        discs = stride_radii(self._legs, feet, lift, offset, depth)
        return tuple(
            liftable_radius(
                leg,
                foot,
                disc,
                speeds,
                swing_time=self._parameters.swing_time,
                lift=self._parameters.lift + 0.5 * depth,
                offset=offset,
            )
            for leg, foot, disc, speeds in zip(
                self._legs, feet, discs, self._walking_speeds, strict=True
            )
        )

    def _work_out_margin(self, offset: Offset, duty_factor: float) -> float:
        cycle = Cycle(self._parameters.swing_time, duty_factor, self._phases.at(duty_factor))
        centre = projected(self.centre, offset)
        return least_margin(cycle, self._phases.walking, self.neutral, centre)

    def _work_out_stances(
        self, offset: Offset, duty_factor: float, radii: tuple[float, ...]
    ) -> tuple[tuple[float, ...], ...]:
        return tuple(
            fastest_stances(
                leg,
                foot,
                radius,
                speeds,
                swing_time=self._parameters.swing_time,
                duty_factor=duty_factor,
                lift=self._parameters.lift,
                offset=offset,
            )
            if walks
            else (UNBOUNDED,) * HEADINGS
            for leg, foot, radius, speeds, walks in zip(
                self._legs,
                self._robot.standing.feet,
                radii,
                self._walking_speeds,
                self._phases.walking,
                strict=True,
            )
        )

    def _stride(self, room: float, overshoot: float, duty_factor: float, arm: float) -> float:
        """Longest half stride whose foot stays within some room of its neutral point, m.

        Parameters
        ----------
        room
            m.
        overshoot
            How much farther it comes in its swing, as a factor.
        duty_factor
            Share of the cycle in which the leg stands.
        arm
            Of the neutral point from the middle of the body, m.

        """
        parameters = self._parameters
        # Once the landing point is fixed, the body may still fall short of where it was to be.
        time = (1.0 - LANDING_FIXED) * parameters.swing_time
        drift = 0.5 * (parameters.acceleration + parameters.yaw_acceleration * arm) * time**2
        lead = 2.0 * (1.0 - LANDING_FIXED) * (1.0 - duty_factor) / duty_factor
        return max(0.0, min(room / overshoot, max(room - drift, room / (1.0 + lead))))


def _way(start: Offset, end: Offset) -> list[Offset]:
    """Offsets at the ends of equal parts of a way."""
    return [start.towards(end, part / PARTS) for part in range(PARTS + 1)]


def _joint_speeds(robot: Robot, share: float) -> tuple[Vector, ...]:
    """Share of the no-load speed of coxa, femur and tibia of each leg, rad/s."""
    return tuple(
        (share * leg.coxa.servo.speed, share * leg.femur.servo.speed, share * leg.tibia.servo.speed)
        for leg in robot.legs
    )
