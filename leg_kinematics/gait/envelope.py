# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a walk may ask of each leg: how far its foot strays and how fast the ground goes by.

Reach, servos and support each bound it. They depend on the pose of the body and on the duty factor
and are worked out when one of them changes, not in every tick.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache, partial
from itertools import chain, compress, pairwise, repeat
from math import ceil, floor, hypot

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.gait.body import Offset, Point
from leg_kinematics.gait.parameters import GaitParameters
from leg_kinematics.gait.phases import LOWEST_DUTY_FACTOR, Cycle, Phases
from leg_kinematics.gait.swing import LANDING_FIXED, swing_overshoot
from leg_kinematics.gait.workspace import (
    HEADINGS,
    fastest_stances,
    liftable_radii,
    stride_radii,
    way_times,
)
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import (
    LegSolver,
    ManyLegs,
    centre_of_mass,
    posture_angles,
    static_margin,
)

Floats = NDArray[np.float64]

#: Of each leg, for some directions, m/s.
Speeds = tuple[tuple[float, ...], ...]

#: A foot that cannot go this far from its neutral point cannot walk, m.
SMALLEST_STRIDE = 5e-3

#: Share of the disc that a walk may use; the rest is for what happens between two ticks.
USABLE_SHARE = 0.95

#: Share of the permitted joint speed that a steady walk may use; the rest is for changes.
WALKING_SHARE = 0.85

#: Share of the permitted joint speed that a swing may be planned with; it is checked at a few
#: instants only, and the body may speed up before it is planned anew.
SWINGING_SHARE = 0.9

#: Share of the permitted joint speed that a change of the body offset may use.
POSING_SHARE = 0.1

#: While the duty factor changes, what it allows is worked out for multiples of this.
DUTY_FACTOR_STEP = 0.05

#: Stands for no bound, of a leg that does not walk, m and m/s.
UNBOUNDED = 1e9

#: Poses and duty factors whose envelopes are kept.
REMEMBERED = 128

#: A way of the body is checked at the ends of so many equal parts.
PARTS_OF_WAY = 16

#: Events of a cycle closer to each other than this are one, as a share of the cycle.
SAME = 1e-6


@dataclass
class Envelope:
    """What a walk may ask, leg by leg; a leg that is carried is `UNBOUNDED`.

    Attributes
    ----------
    radii
        How far a standing foot may be from its neutral point, m.
    margin
        Least static margin over a cycle with all feet at their neutral points, m.
    labels
        Name of each leg, and what bounds its radius where that is not its reach.
    look_how_fast
        Works out `fastest`, which is of use only for a walk.

    """

    radii: tuple[float, ...]
    margin: float
    labels: tuple[str, ...]
    look_how_fast: Callable[[], Speeds]

    @property
    def fastest_is_known(self) -> bool:
        """Tell whether `fastest` has been worked out, which takes as long as ten ticks."""
        return 'fastest' in vars(self)

    @cached_property
    def fastest(self) -> Speeds:
        """Highest speed of the ground under each foot in a steady walk, m/s.

        For the directions of `fastest_stances`.
        """
        return self.look_how_fast()

    @cached_property
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
    legs
        In rows.
    walking
        Numbers of the legs that walk.
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
        """Work out what depends on neither pose nor duty factor."""
        self._robot = robot
        self._solvers = tuple(legs)
        self._parameters = parameters
        self._phases = phases
        self._heights = (robot.resting.height, robot.standing.height)
        self.legs = ManyLegs.of(legs)
        self._feet = np.array(robot.standing.feet)
        self.neutral: tuple[Point, ...] = tuple((x, y) for x, y, _ in robot.standing.feet)
        (self.walking,) = np.nonzero(np.array(phases.walking))
        angles = posture_angles(robot, self._solvers, 'standing')
        self.centre = centre_of_mass(robot, self._solvers, angles)
        self._speeds = parameters.speed_share * np.array(
            [[link.servo.speed for link in leg.links] for leg in robot.legs]
        )
        self.swinging_speeds: list[Vector] = (SWINGING_SHARE * self._speeds).tolist()
        self._at = lru_cache(REMEMBERED)(self._work_out)
        self._discs: dict[Offset, tuple[float, ...]] = {}
        self._margin = lru_cache(REMEMBERED)(self._work_out_margin)
        self._standing = lru_cache(REMEMBERED)(self._work_out_standing)
        self._fastest = lru_cache(REMEMBERED)(self._work_out_fastest)

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
            self._robot.leg_names, self._solvers, self.neutral, self._phases.walking, strict=True
        ):
            for height in () if walks else self._heights:
                try:
                    leg.angles((*point, carry_height - height))
                except LegKinematicsError as error:
                    raise CommandError(
                        f'{name} cannot be carried {carry_height:g} m above the ground ({error}); '
                        'change carry_height'
                    ) from error

    def posing_times(self, now: Offset, goal: Offset, envelope: Envelope) -> Floats:
        """Tell what time a foot of each leg that walks needs for a change of pose, s.

        In its place and at four points of its rim, shape (legs that walk, 5); infinite where it is
        out of reach on the way.
        """
        rim = np.zeros((3, 5))
        rim[0, 1:3] = rim[1, 3:5] = 1.0, -1.0
        radii = np.array(envelope.radii)[self.walking]
        feet = self._feet[self.walking, :, None] + radii[:, None, None] * rim
        return self._way_times(POSING_SHARE, feet, _way(now, goal))

    def stand_time(self) -> float:
        """Tell what time the body needs from its resting to its standing height, s."""
        low, high = (Offset((0.0, 0.0, height)) for height in self._heights)
        feet = self._feet[self.walking] * (1.0, 1.0, 0.0)
        times = self._way_times(1.0, feet[..., None], _way(low, high))
        slowest = float(times[np.isfinite(times)].max(initial=0.0))
        return max(self._parameters.stand_time, slowest)

    def _way_times(self, share: float, feet: Floats, way: Sequence[Offset]) -> Floats:
        walking = self.walking
        return way_times(self.legs.take(walking), share * self._speeds[walking], feet, way)

    def _work_out(self, offsets: tuple[Offset, ...], low: float, high: float) -> Envelope:
        steps = ceil((high - low) / DUTY_FACTOR_STEP)
        factors = {low, high, *(low + DUTY_FACTOR_STEP * step for step in range(1, steps))}
        standing = set(chain.from_iterable(map(self._standing, factors)))
        # More feet never leave a smaller margin.
        fewest = frozenset(legs for legs in standing if not any(few < legs for few in standing))
        margin = min(self._margin(offset, fewest) for offset in offsets)
        least = self._parameters.min_margin
        radii, labels = [], []
        discs = map(min, *self._discs_in(offsets), repeat(UNBOUNDED))
        for name, point, disc, walks in zip(
            self._robot.leg_names, self.neutral, discs, self._phases.walking, strict=True
        ):
            reach = self._stride(USABLE_SHARE * disc, swing_overshoot(low), low, hypot(*point))
            support = self._stride(margin - least, 1.0, low, hypot(*point))
            radii.append(min(reach, support) if walks else UNBOUNDED)
            labels.append(
                f'{name}, to keep a margin of {1e3 * least:g} mm (of {1e3 * margin:z.1f})'
                if support < reach
                else name
            )
        fastest = partial(self._fastest, tuple(dict.fromkeys(offsets)), high, tuple(radii))
        return Envelope(tuple(radii), margin, tuple(labels), fastest)

    def _discs_in(self, offsets: Iterable[Offset]) -> list[tuple[float, ...]]:
        """Radii of the discs of all legs in each offset, m."""
        known = self._discs
        unknown = [offset for offset in dict.fromkeys(offsets) if offset not in known]
        if unknown:
            known.update(zip(unknown, self._work_out_discs(unknown), strict=True))
        discs = [known[offset] for offset in offsets]
        while len(known) > REMEMBERED:
            del known[next(iter(known))]
        return discs

    def _work_out_discs(self, offsets: Sequence[Offset]) -> list[tuple[float, ...]]:
        depth = self._parameters.search_depth if self._parameters.contacts else 0.0
        lift = self._parameters.lift
        radii = stride_radii(self.legs, self._feet, lift + depth, offsets, depth)
        radii = liftable_radii(
            self.legs,
            self._feet,
            radii,
            WALKING_SHARE * self._speeds,
            swing_time=self._parameters.swing_time,
            lift=lift + 0.5 * depth,
            offsets=offsets,
        )
        return list(map(tuple, radii.tolist()))

    def _work_out_standing(self, duty_factor: float) -> frozenset[frozenset[int]]:
        cycle = Cycle(self._parameters.swing_time, duty_factor, self._phases.at(duty_factor))
        return frozenset(standing_sets(cycle, self._phases.walking))

    def _work_out_margin(self, offset: Offset, standing: frozenset[frozenset[int]]) -> float:
        return least_margin(standing, self.neutral, projected(self.centre, offset))

    def _work_out_fastest(
        self, offsets: tuple[Offset, ...], duty_factor: float, radii: tuple[float, ...]
    ) -> tuple[tuple[float, ...], ...]:
        walking = self.walking
        fastest = np.full((len(radii), HEADINGS), UNBOUNDED)
        fastest[walking] = fastest_stances(
            self.legs.take(walking),
            self._feet[walking],
            np.array(radii)[walking],
            WALKING_SHARE * self._speeds[walking],
            swing_time=self._parameters.swing_time,
            duty_factor=duty_factor,
            lift=self._parameters.lift,
            offsets=offsets,
        ).min(axis=0)
        return tuple(map(tuple, fastest.tolist()))

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
    return [start.towards(end, part / PARTS_OF_WAY) for part in range(PARTS_OF_WAY + 1)]


def standing_sets(cycle: Cycle, walking: Sequence[bool]) -> Iterator[frozenset[int]]:
    """Give the legs that stand together, from event to event of a cycle.

    Parameters
    ----------
    cycle
        Who stands when.
    walking
        Of each leg, whether it walks.

    """
    legs = list(compress(range(len(walking)), walking))
    events = sorted(
        {(cycle.touchdown[leg] + share) % 1.0 for leg in legs for share in (0.0, cycle.duty_factor)}
    )
    for first, second in pairwise([*events, events[0] + 1.0]):
        if second - first > SAME:
            phase = 0.5 * (first + second)
            yield frozenset(leg for leg in legs if not cycle.swinging(leg, phase))


def least_margin(standing: Iterable[frozenset[int]], feet: Sequence[Point], centre: Point) -> float:
    """Find the least static margin of a walk whose feet stand at given points, m.

    A support polygon shrinks by no more than its feet move: wherever feet stand within a radius
    of these points, the margin is at most that radius less.

    Parameters
    ----------
    standing
        Legs that stand together, at one time or another.
    feet
        Of each leg, m.
    centre
        Projection of the centre of mass, m.

    """
    return min(static_margin([feet[leg] for leg in legs], centre) for legs in standing)


def projected(centre: Vector, offset: Offset) -> Point:
    """Project the centre of mass, given in the body, along the vertical of the level body, m."""
    x, y, _ = offset.place(centre)
    return (x, y)
