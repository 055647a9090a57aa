# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A steady walk over one cycle, in closed form: what the other checks look at."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.gait import (
    TETRAPOD,
    TRIPOD,
    WAVE,
    Cycle,
    GaitParameters,
    Twist,
    touchdown_phases,
)
from leg_kinematics.gait.envelope import USABLE_SHARE
from leg_kinematics.gait.limits import limit_stride
from leg_kinematics.gait.swing import Swing
from leg_kinematics.gait.workspace import stride_radii
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, ManyLegs

Array = NDArray[np.float64]

#: With 3, 4 and 5 of six feet on the ground.
DUTY_FACTORS = (TRIPOD, TETRAPOD, WAVE)

#: Ways to walk, each faster than any stride allows.
HEADINGS = {'forward': Twist(x=10.0), 'sideways': Twist(y=10.0), 'turning': Twist(yaw=10.0)}

#: The walk is looked at in the middle of so many equal parts of its cycle.
INSTANTS = 240

HALVINGS = 12

#: As the gait walks when nobody sets its parameters.
DEFAULTS = GaitParameters()


@dataclass(frozen=True)
class SteadyWalk:
    """One cycle of a walk whose velocity does not change.

    Attributes
    ----------
    heading
        A key of `HEADINGS`.
    cycle
        Its timing.
    twist
        Of the body.
    feet, velocities
        In `base_link`, m and m/s, shape (INSTANTS, legs, 3).
    standing
        Whether each foot is on the ground, shape (INSTANTS, legs).
    angles, rates
        Of coxa, femur and tibia, rad and rad/s, shape (INSTANTS, legs, 3).

    """

    heading: str
    cycle: Cycle
    twist: Twist
    feet: Array
    velocities: Array
    standing: NDArray[np.bool_]
    angles: Array
    rates: Array

    @cached_property
    def phases(self) -> Array:
        """Of the instants, shape (INSTANTS,)."""
        return (np.arange(INSTANTS) + 0.5) / INSTANTS

    def postures(self) -> Iterator[tuple[tuple[Vector, ...], tuple[bool, ...]]]:
        """Give the angles of all legs, rad, and who stands, instant by instant."""
        for angles, standing in zip(self.angles.tolist(), self.standing.tolist(), strict=True):
            yield tuple((q1, q2, q3) for q1, q2, q3 in angles), tuple(standing)


def duty_factors(robot: Robot) -> tuple[float, ...]:
    """Duty factors with three feet on the ground on average or more, the fastest walk first.

    Raises
    ------
    CommandError
        The legs are too few or not the same number on both sides.

    """
    factors = tuple(each for each in DUTY_FACTORS if each * len(robot.legs) >= 3.0 - 1e-9)
    if not factors:
        raise CommandError(
            f'{robot.name} has {len(robot.legs)} legs; a walk that never falls needs three feet '
            'on the ground, so four legs or more'
        )
    touchdown_phases(robot, factors[0])
    return factors


def usable_radii(robot: Robot, legs: Sequence[LegSolver]) -> tuple[float, ...]:
    """How far the gait lets each foot stray from its neutral point, m."""
    radii = stride_radii(ManyLegs.of(legs), np.array(robot.standing.feet), DEFAULTS.lift)
    return tuple((USABLE_SHARE * radii[0]).tolist())


def widest_walk(
    robot: Robot,
    legs: Sequence[LegSolver],
    radii: Sequence[float],
    duty_factor: float,
    heading: str,
) -> SteadyWalk:
    """Walk with the longest stride that reach allows, at the default swing time.

    Raises
    ------
    ReachError, JointLimitError, MapRangeError
        Not even stepping on the spot is within reach.

    """
    cycle = Cycle(DEFAULTS.swing_time, duty_factor, touchdown_phases(robot, duty_factor))
    neutral = [(x, y) for x, y, _ in robot.standing.feet]
    full = limit_stride(HEADINGS[heading], neutral, radii, robot.leg_names, cycle.stance_time).twist
    try:
        return steady_walk(robot, legs, cycle, heading, full)
    except LegKinematicsError:
        walk = steady_walk(robot, legs, cycle, heading, Twist())
    # A swinging foot overshoots the disc of its stance, so that less than the full stride may be
    # all that reach allows.
    low, high = 0.0, 1.0
    for _ in range(HALVINGS):
        fraction = 0.5 * (low + high)
        try:
            walk = steady_walk(robot, legs, cycle, heading, full.scaled(fraction))
        except LegKinematicsError:
            high = fraction
        else:
            low = fraction
    return walk


def steady_walk(
    robot: Robot, legs: Sequence[LegSolver], cycle: Cycle, heading: str, twist: Twist
) -> SteadyWalk:
    """Walk with a twist, each foot passing its neutral point at mid stance.

    Raises
    ------
    ReachError, JointLimitError, MapRangeError
        A foot cannot follow.

    """
    shape = (INSTANTS, len(legs), 3)
    feet, velocities, angles, rates = (np.empty(shape) for _ in range(4))
    standing = np.empty(shape[:2], dtype=np.bool_)
    for leg, solver in enumerate(legs):
        for instant in range(INSTANTS):
            phase = (instant + 0.5) / INSTANTS
            since = cycle.since_touchdown(leg, phase) * cycle.period
            foot, velocity = _foot(robot.standing.feet[leg], cycle, twist, since)
            joints = solver.angles(foot)
            feet[instant, leg], velocities[instant, leg] = foot, velocity
            angles[instant, leg] = joints
            rates[instant, leg] = solver.velocity(joints, velocity)
            standing[instant, leg] = not cycle.swinging(leg, phase)
    return SteadyWalk(heading, cycle, twist, feet, velocities, standing, angles, rates)


def _foot(neutral: Vector, cycle: Cycle, twist: Twist, since: float) -> tuple[Vector, Vector]:
    """Position and velocity in `base_link` of a foot so many seconds after its touchdown.

    The world is the body's frame when the foot passes its neutral point.
    """
    x, y, ground = neutral
    foot = Swing.from_rest((x, y, 0.0), cycle.swing_time, lift=DEFAULTS.lift, end=0.0)
    if since > cycle.stance_time:
        foot.aim(twist.over(cycle.period).place((x, y)))
        foot.advance(since - cycle.stance_time, 0.0)
    pose = twist.over(since - 0.5 * cycle.stance_time)
    place = pose.locate((foot.x.position, foot.y.position))
    u, v = pose.turn_back((foot.x.velocity, foot.y.velocity))
    body_u, body_v = twist.at(place)
    return (
        (*place, ground + foot.z.position),
        (u - body_u, v - body_v, foot.z.velocity),
    )
