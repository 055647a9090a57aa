# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One cycle of the gait at its fastest, recorded: what the other checks look at."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import ceil, fsum

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.errors import CommandError
from leg_kinematics.gait import GaitParameters, GaitSample, GaitState, Twist, Walker
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver

Array = NDArray[np.float64]

#: Ways to walk: what is asked for of `max_speed` ahead and to the left, and of `max_yaw_rate`.
HEADINGS = {'forward': (1.0, 0.0, 0.0), 'sideways': (0.0, 1.0, 0.0), 'turning': (0.0, 0.0, 1.0)}

#: Ticks of a cycle.
INSTANTS = 120

#: The walk is steady when no foot is farther than this from where it was a cycle before, m.
STEADY = 1e-4

#: So many cycles after the ramp of the velocity a walk is taken as it is.
SETTLING = 12

#: However slow the ramp is, nobody waits for more cycles than this.
MOST_CYCLES = 60

#: Ticks, each as long as standing up, in which a robot that stands has got up; a leg that is
#: carried has to be raised.
RISING = 20

#: A foot that comes down and is so near to the ground closes its contact, m.
CONTACT = 1e-3


@dataclass(frozen=True)
class SteadyWalk:
    """One cycle of a walk, with the shape (INSTANTS, legs, …) where a leg is told of.

    Attributes
    ----------
    heading
        A key of `HEADINGS`.
    duty_factor
        Share of the cycle in which a leg stands.
    period
        Of the cycle, s.
    twist
        Of the body, the mean of the cycle.
    limit
        What bound the velocity, in the words of the gait; empty when nothing did.
    phases
        Share of the cycle that has passed, shape (INSTANTS,).
    feet, velocities
        In `base_link`, m and m/s.
    standing
        Whether each foot is on the ground.
    angles, rates
        Of coxa, femur and tibia, rad and rad/s.

    """

    heading: str
    duty_factor: float
    period: float
    twist: Twist
    limit: str
    phases: Array
    feet: Array
    velocities: Array
    standing: NDArray[np.bool_]
    angles: Array
    rates: Array

    @property
    def speed(self) -> float:
        """Of the body, m/s, or rad/s when it turns."""
        return abs(self.twist.yaw) if self.heading == 'turning' else self.twist.speed

    def stance(self, leg: int) -> NDArray[np.intp]:
        """Give the instants of a stance in the order of time."""
        standing = self.standing[:, leg]
        touchdown = int(np.argmax(standing & ~np.roll(standing, 1)))
        order = (touchdown + np.arange(len(standing))) % len(standing)
        return order[standing[order]]

    def postures(self) -> Iterator[tuple[tuple[Vector, ...], tuple[bool, ...]]]:
        """Give the angles of all legs, rad, and who stands, instant by instant."""
        for angles, standing in zip(self.angles.tolist(), self.standing.tolist(), strict=True):
            yield tuple((q1, q2, q3) for q1, q2, q3 in angles), tuple(standing)


def steady_walk(
    robot: Robot,
    legs: Sequence[LegSolver],
    parameters: GaitParameters,
    heading: str,
    instants: int = INSTANTS,
) -> SteadyWalk:
    """Let the gait walk as fast as it does, until it is steady, and record a cycle.

    Parameters
    ----------
    robot
        The description.
    legs
        Its solvers, with the ranges of the servo maps if those shall bind.
    parameters
        How to walk, with one duty factor.
    heading
        A key of `HEADINGS`.
    instants
        Ticks of a cycle.

    Raises
    ------
    LegKinematicsError
        The gait refuses the robot, or does not move it; the message is the gait's own.

    """
    walker = standing_walker(robot, legs, parameters)
    if walker.hindrance:
        raise CommandError(walker.hindrance)
    ahead, left, turn = HEADINGS[heading]
    speed, yaw_rate = parameters.max_speed, parameters.max_yaw_rate
    command = Twist(ahead * speed, left * speed, turn * yaw_rate)
    period = parameters.swing_time / (1.0 - parameters.duty_factor)
    tick = period / instants
    # No instant is one at which a foot lands or lifts.
    samples = [walker.step(0.5 * tick, command)]
    feet = np.zeros((instants, len(legs), 3))
    for _ in range(_cycles(parameters, period)):
        before, last = feet, samples[-1]
        samples = []
        for _ in range(instants):
            if parameters.contacts:
                _feel_level_ground(walker, robot, last)
            last = walker.step(tick, command)
            samples.append(last)
        feet = np.array([sample.feet for sample in samples])
        if np.abs(feet - before).max() < STEADY:
            break
    twist = Twist(
        *(
            fsum(getattr(sample.twist, axis) for sample in samples) / instants
            for axis in ('x', 'y', 'yaw')
        )
    )
    if not twist:
        raise CommandError(samples[-1].limit or 'the gait takes no step, and gives no reason')
    angles = [
        [leg.angles(foot) for leg, foot in zip(legs, sample.feet, strict=True)]
        for sample in samples
    ]
    rates = [
        [
            leg.velocity(joints, velocity)
            for leg, joints, velocity in zip(legs, posture, sample.velocities, strict=True)
        ]
        for sample, posture in zip(samples, angles, strict=True)
    ]
    return SteadyWalk(
        heading=heading,
        duty_factor=parameters.duty_factor,
        period=period,
        twist=twist,
        limit=samples[-1].limit,
        phases=np.array([sample.phase or 0.0 for sample in samples]),
        feet=feet,
        velocities=np.array([sample.velocities for sample in samples]),
        standing=np.array([sample.standing for sample in samples]),
        angles=np.array(angles),
        rates=np.array(rates),
    )


def standing_walker(robot: Robot, legs: Sequence[LegSolver], parameters: GaitParameters) -> Walker:
    """Make a gait that stands and waits for a velocity.

    Raises
    ------
    LegKinematicsError
        The gait refuses the robot.

    """
    walker = Walker(robot, legs, parameters, robot.standing.feet)
    walker.stand()
    for _ in range(RISING):
        walker.step(parameters.stand_time, Twist())
        if walker.state is GaitState.STANDING:
            return walker
    raise CommandError(f'the gait does not come to stand; it is {walker.state}')


def _cycles(parameters: GaitParameters, period: float) -> int:
    """Tell for how many cycles a steady walk is waited for."""
    ramp = max(
        parameters.max_speed / parameters.acceleration,
        parameters.max_yaw_rate / parameters.yaw_acceleration,
    )
    return min(MOST_CYCLES, ceil(ramp / period) + SETTLING)


def _feel_level_ground(walker: Walker, robot: Robot, sample: GaitSample) -> None:
    for leg, (foot, velocity, stands) in enumerate(
        zip(sample.feet, sample.velocities, sample.standing, strict=True)
    ):
        comes_down = velocity[2] < 0.0 and foot[2] + robot.standing.height < CONTACT
        walker.touch(leg, stands or comes_down)
