# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The middle stage: foot targets in, joint targets out, whole or not at all."""

import enum
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import dist, isfinite

from leg_kinematics.chain.values import Condition, FootTargets, JointLimits, JointTargets, Level
from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.parameters import choice, number
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegReach, LegSolver, Trajectory, polyline_move

STILL = (0.0, 0.0, 0.0)


class OutOfReach(enum.StrEnum):
    """What becomes of a target that a foot cannot take."""

    REJECT = 'reject'
    """It is refused, with everything that came with it."""
    CLAMP = 'clamp'
    """It is moved to the nearest point that the foot can take."""


@dataclass(frozen=True, slots=True)
class LineParameters:
    """How feet go on straight lines."""

    line_tolerance: float = number(
        0.0005, 'm', 1e-5, 0.1, 'Largest distance of a foot from its line in straight moves'
    )
    speed_share: float = number(
        0.5, '', 0.05, 1.0, 'Share of the no-load servo speed for straight moves'
    )

    def speeds(self, robot: Robot) -> dict[str, float]:
        """Give the highest speed of each joint, rad/s, by name."""
        return {
            joint: self.speed_share * link.servo.speed
            for leg in robot.legs
            for joint, link in zip(leg.joints, leg.links, strict=True)
        }


@dataclass(frozen=True, slots=True)
class SolvingParameters(LineParameters):
    """How feet become joints."""

    out_of_reach: OutOfReach = choice(
        OutOfReach.REJECT, 'What to do with a target that a foot cannot take'
    )


class Solving:
    """Turns feet into joints, and joints into feet.

    Each message is judged anew, so that moving back is always allowed.

    Parameters
    ----------
    robot
        The description.
    legs
        Its solvers, with the ranges of the servo maps.
    parameters
        How to solve.

    """

    def __init__(
        self, robot: Robot, legs: Sequence[LegSolver], parameters: SolvingParameters
    ) -> None:
        """Begin without knowing where the joints are."""
        self._legs = tuple(legs)
        self._names = robot.leg_names
        self._joints = robot.joints
        self._parameters = parameters
        self._speeds = parameters.speeds(robot)
        self._reach = {leg.name: LegReach(leg) for leg in self._legs}
        self._angles: dict[str, Vector] = {}
        self._clamped: dict[str, float] = {}
        self._refusal = ''
        self.accepted = 0
        self.refused = 0

    def heed(self, limits: JointLimits) -> None:
        """Take in how fast the bridge drives the joints: straight moves are no faster."""
        self._speeds = limits.bound(self._speeds)

    def locate(self, positions: Sequence[float]) -> tuple[Vector, ...]:
        """Take in where the joints are, rad, shape (joints,); return the feet in `base_link`, m."""
        feet = []
        for index, leg in enumerate(self._legs):
            q1, q2, q3 = positions[3 * index : 3 * index + 3]
            self._angles[leg.name] = (q1, q2, q3)
            feet.append(leg.foot((q1, q2, q3)))
        return tuple(feet)

    def solve(self, targets: FootTargets) -> JointTargets:
        """Joint targets of all joints; legs that are not named stay where they are.

        Raises
        ------
        LegKinematicsError
            A foot is out of reach, beyond a joint limit or a servo map, or the targets are wrong;
            the message gives leg, value and bound, and nothing of them is obeyed.

        """
        self._clamped.clear()
        _check(targets, self._names)
        if targets.velocities is None:
            trajectory = self._moves(targets)
        else:
            trajectory = self._stream(targets, targets.velocities)
        self.accepted += 1
        self._refusal = ''
        return JointTargets(targets.stamp, trajectory)

    def refuse(self, error: LegKinematicsError) -> None:
        """Note that targets were refused, and why."""
        self.refused += 1
        self._refusal = str(error)

    def condition(self) -> Condition:
        """Say what became of the last targets."""
        if self._refusal:
            return Condition(Level.ERROR, 'refused', self._refusal)
        if self._clamped:
            where = ', '.join(f'{leg} by {way * 1e3:.1f} mm' for leg, way in self._clamped.items())
            return Condition(Level.WARN, 'clamped to the nearest reachable point', where)
        return Condition(Level.OK, 'following foot_targets' if self.accepted else 'waiting')

    def _stream(self, targets: FootTargets, velocities: Sequence[Sequence[Vector]]) -> Trajectory:
        """Point by point, as streamed."""
        if targets.legs == self._names:
            order: list[int | None] = list(range(len(self._legs)))
        else:
            named = {name: index for index, name in enumerate(targets.legs)}
            order = [named.get(leg.name) for leg in self._legs]
        positions, rates = [], []
        for feet, speeds in zip(targets.feet, velocities, strict=True):
            row: list[float] = []
            moving: list[float] = []
            for leg, index in zip(self._legs, order, strict=True):
                if index is None:
                    row += self._where(leg.name)
                    moving += STILL
                    continue
                foot = self._within_reach(leg, feet[index])
                free_coxa = self._angles.get(leg.name, STILL)[0]
                joints = leg.angles(foot, free_coxa=free_coxa)
                row += joints
                moving += leg.velocity(joints, speeds[index]) if foot is feet[index] else STILL
            positions.append(tuple(row))
            rates.append(tuple(moving))
        return Trajectory(targets.times, tuple(positions), tuple(rates))

    def _moves(self, targets: FootTargets) -> Trajectory:
        """Straight moves from where the feet are, from point to point."""
        if targets.times[0] <= 0.0:
            raise CommandError(
                'foot_targets without velocities are straight moves, and the first is due at '
                'once; give it the time that it may take, or give velocities for a stream'
            )
        legs = [leg for leg in self._legs if leg.name in targets.legs]
        order = [targets.legs.index(leg.name) for leg in legs]
        start = [leg.foot(self._where(leg.name)) for leg in legs]
        goals = [
            [self._within_reach(leg, feet[index]) for leg, index in zip(legs, order, strict=True)]
            for feet in targets.feet
        ]
        move = polyline_move(
            legs,
            [start, *goals],
            [later - earlier for earlier, later in pairwise([0.0, *targets.times])],
            tolerance=self._parameters.line_tolerance,
            speeds=[self._speeds[joint] for leg in legs for joint in leg.joints],
        )
        moved = [joint for leg in legs for joint in leg.joints]
        resting = {
            joint: angle
            for leg in self._legs
            if leg.name not in targets.legs
            for joint, angle in zip(leg.joints, self._where(leg.name), strict=True)
        }
        still = dict.fromkeys(resting, 0.0)

        def whole(row: tuple[float, ...], others: Mapping[str, float]) -> tuple[float, ...]:
            values = {**others, **dict(zip(moved, row, strict=True))}
            return tuple(values[joint] for joint in self._joints)

        return Trajectory(
            move.times,
            tuple(whole(row, resting) for row in move.positions),
            tuple(whole(row, still) for row in move.velocities),
        )

    def _within_reach(self, leg: LegSolver, foot: Vector) -> Vector:
        """Return the foot itself, or if it is clamped the nearest that can be taken."""
        if self._parameters.out_of_reach is OutOfReach.REJECT:
            return foot
        nearest = self._reach[leg.name].nearest(foot)
        if nearest is not foot:
            self._clamped[leg.name] = dist(nearest, foot)
        return nearest

    def _where(self, leg: str) -> Vector:
        """Joint angles of a leg as last heard."""
        if leg not in self._angles:
            raise CommandError(
                f'it is not known yet where the joints of {leg} are: no joint_states has come; '
                'activate the bridge, or stream targets that name every leg'
            )
        return self._angles[leg]


def _check(targets: FootTargets, known: Sequence[str]) -> None:
    """Raise CommandError unless the targets name known legs once, at rising, finite numbers."""
    if targets.legs != known:
        check_names('foot_targets', targets.legs, known)
    if not targets.feet:
        raise CommandError('foot_targets has no points; it needs at least one')
    check_finite('foot_targets', (v for row in targets.feet for foot in row for v in foot))
    if targets.velocities is not None:
        speeds = (v for row in targets.velocities for foot in row for v in foot)
        check_finite('velocities of foot_targets', speeds)


def check_names(what: str, names: Sequence[str], known: Sequence[str]) -> None:
    """Raise CommandError when names are missing, doubled or unknown."""
    if not names:
        raise CommandError(f'{what} names nothing; expected some of {", ".join(known)}')
    if len(set(names)) != len(names):
        raise CommandError(f'{what} names something twice: {", ".join(names)}')
    unknown = [name for name in names if name not in known]
    if unknown:
        raise CommandError(
            f'{what} has unknown names: {", ".join(unknown)}; known are {", ".join(known)}'
        )


def check_finite(what: str, numbers: Iterable[float]) -> None:
    """Raise CommandError when a number is NaN or infinite."""
    if not all(map(isfinite, numbers)):
        raise CommandError(f'{what} has a number that is not finite; it was refused whole')
