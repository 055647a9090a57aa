# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What is known of a robot, put into frames: nothing that has not been heard lately."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import hypot, isfinite

import numpy as np
from transforms3d.quaternions import quat2mat

from leg_kinematics import robot as description
from leg_kinematics.calibration import ServoMap
from leg_kinematics.chain.values import FootTargets, RobotReport
from leg_kinematics.errors import MapRangeError
from leg_kinematics.robot import Vector
from leg_kinematics.robot.urdf import urdf
from leg_kinematics.solver import LegSolver, centre_of_mass, static_margin, support_polygon
from leg_kinematics.view.messages import (
    Balance,
    Frame,
    Ground,
    Joint,
    Leg,
    Point,
    Pose,
    Robot,
    Velocity,
)

#: What has not been heard for longer is not known any more, s.
LATELY = 1.0

#: A foot whose target goes slower than this over the ground stands, m/s; a swinging one is at rest
#: at both ends of its swing only.
STILL = 0.015

#: Feet so much higher than the lowest that stands are in the air although they are still, m.
RAISED = 0.015

#: Corners of the smallest polygon, and points of a plane.
THREE = 3


@dataclass(frozen=True, slots=True)
class Moving:
    """Where the body is and how it moves.

    Attributes
    ----------
    pose
        In `odom`.
    linear, angular
        In `base_link`, m/s and rad/s.

    """

    pose: Pose
    linear: Vector
    angular: Vector


@dataclass(frozen=True, slots=True)
class Known:
    """The latest that was heard of a robot; None for what was not heard lately.

    Attributes
    ----------
    report
        Of the bridge.
    angles, loads
        Of the joints, rad and N·m.
    targets
        Of the gait, for the instant to which the joints have come.
    moving
        By odometry.
    wanted
        Velocity that is asked for.

    """

    report: RobotReport | None = None
    angles: Sequence[float] | None = None
    loads: Sequence[float] | None = None
    targets: FootTargets | None = None
    moving: Moving | None = None
    wanted: Velocity | None = None


class Watching:
    """Makes frames of what is known of one robot.

    Parameters
    ----------
    described
        The robot.
    legs
        Its solvers, in its order.
    maps
        Servo maps by joint; of joints without one no pulses are told.
    namespace
        Of its chain.

    Attributes
    ----------
    robot
        What it is, for the page.

    """

    def __init__(
        self,
        described: description.Robot,
        legs: Sequence[LegSolver],
        maps: Mapping[str, ServoMap],
        namespace: str,
    ) -> None:
        """Describe the robot."""
        self._described = described
        self._legs = legs
        self._maps = [maps.get(joint) for joint in described.joints]
        links = [link for leg in described.legs for link in leg.links]
        self.robot = Robot(
            described.name,
            namespace,
            urdf(described),
            tuple(
                Leg(name, (3 * i, 3 * i + 1, 3 * i + 2))
                for i, name in enumerate(described.leg_names)
            ),
            tuple(
                Joint(
                    joint,
                    link.lower,
                    link.upper,
                    _pulse(each, link.lower),
                    _pulse(each, link.upper),
                )
                for joint, each, link in zip(described.joints, self._maps, links, strict=True)
            ),
        )

    def frame(self, at: float, known: Known) -> Frame:
        """Put what is known into a frame of an instant, s."""
        report, moving, angles = known.report, known.moving, known.angles
        feet: list[Vector] | None = None
        postures: list[Vector] = []
        if angles is not None:
            postures = [(angles[i], angles[i + 1], angles[i + 2]) for i in range(0, len(angles), 3)]
            feet = [leg.foot(q) for leg, q in zip(self._legs, postures, strict=True)]
        targets = None if known.targets is None else self._in_order(known.targets)
        standing = self._standing(feet, targets, moving)
        balance = ground = None
        if feet is not None and standing is not None:
            turned = _rotation(moving)
            centre = centre_of_mass(self._described, self._legs, postures)
            balance = _balance(feet, standing, centre, turned)
            ground = None if moving is None else _ground(feet, standing, moving, turned)
        return Frame(
            at=round(at, 4),
            power=None if report is None else report.state,
            angles=None if angles is None else _rounded(angles, 5),
            pulses_us=None if angles is None else self._pulses(angles),
            loads=None if known.loads is None else _rounded(known.loads, 4),
            base=None if moving is None else moving.pose,
            feet=None if feet is None else _points(feet),
            foot_targets=None if targets is None else _points([foot for foot, _ in targets]),
            standing=standing,
            balance=balance,
            ground=ground,
            wanted=known.wanted,
            walked=None
            if moving is None
            else _velocity(moving.linear[0], moving.linear[1], moving.angular[2]),
            lag=None if report is None else round(report.lag, 5),
        )

    def _pulses(self, angles: Sequence[float]) -> tuple[float, ...] | None:
        """Give the pulses of all joints; None where one of them has none."""
        pulses = [
            pulse
            for each, angle in zip(self._maps, angles, strict=True)
            if (pulse := _pulse(each, angle)) is not None
        ]
        return tuple(pulses) if len(pulses) == len(angles) else None

    def _in_order(self, targets: FootTargets) -> list[tuple[Vector, Vector]] | None:
        """Give place and velocity of each foot at the first instant of a stream; None for others.

        A straight move has no velocities: where its feet shall be now it does not tell.
        """
        if targets.velocities is None or set(targets.legs) != set(self._described.leg_names):
            return None
        told = dict(
            zip(
                targets.legs,
                zip(targets.feet[0], targets.velocities[0], strict=True),
                strict=True,
            )
        )
        return [told[name] for name in self._described.leg_names]

    def _standing(
        self,
        feet: Sequence[Vector] | None,
        targets: Sequence[tuple[Vector, Vector]] | None,
        moving: Moving | None,
    ) -> tuple[bool, ...] | None:
        """Tell which feet stand, as far as topics tell: those that are still over the ground, low.

        No topic says it. While nobody leads the feet nothing can be told: the robot may lie on its
        belly.
        """
        if feet is None or targets is None or moving is None:
            return None
        (vx, vy, vz), (wx, wy, wz) = moving.linear, moving.angular
        still = [
            hypot(
                vx + dx + wy * z - wz * y,
                vy + dy + wz * x - wx * z,
                vz + dz + wx * y - wy * x,
            )
            < STILL
            for (x, y, z), (dx, dy, dz) in targets
        ]
        heights = [float(_rotation(moving)[2] @ foot) for foot in feet]
        lowest = min((z for z, rests in zip(heights, still, strict=True) if rests), default=0.0)
        return tuple(rests and z < lowest + RAISED for z, rests in zip(heights, still, strict=True))


def _pulse(servo_map: ServoMap | None, angle: float) -> float | None:
    """Pulse at an angle; None without a servo map, or where it cannot express the angle."""
    try:
        return None if servo_map is None else round(servo_map.pulse_us(angle), 1)
    except MapRangeError:
        return None


def _rotation(moving: Moving | None) -> 'np.ndarray[tuple[int, int], np.dtype[np.float64]]':
    """From `base_link` to `odom`; without odometry the body counts as level."""
    if moving is None:
        return np.eye(3)
    x, y, z, w = moving.pose.orientation
    return np.asarray(quat2mat((w, x, y, z)), dtype=np.float64)


def _balance(
    feet: Sequence[Vector],
    standing: Sequence[bool],
    centre: Vector,
    turned: 'np.ndarray[tuple[int, int], np.dtype[np.float64]]',
) -> Balance:
    """Look from above, along gravity, at feet and centre of mass."""
    level: dict[Point, Vector] = {}
    for foot, stands in zip(feet, standing, strict=True):
        if stands:
            x, y, _ = (float(each) for each in turned @ foot)
            level[x, y] = foot
    polygon = support_polygon(list(level))
    cx, cy, _ = (float(each) for each in turned @ centre)
    margin = static_margin(list(level), (cx, cy))
    return Balance(
        _points([level[corner] for corner in polygon]),
        _point(centre),
        round(margin, 5) if isfinite(margin) else None,
    )


def _ground(
    feet: Sequence[Vector],
    standing: Sequence[bool],
    moving: Moving,
    turned: 'np.ndarray[tuple[int, int], np.dtype[np.float64]]',
) -> Ground | None:
    """Lay the plane of least squares through the feet that stand, in `odom`."""
    rows = [turned @ foot for foot, stands in zip(feet, standing, strict=True) if stands]
    if len(rows) < THREE:
        return None
    points = np.array(rows) + np.array(moving.pose.position)
    middle = points.mean(axis=0)
    normal = np.linalg.svd(points - middle)[2][2]
    normal = normal if normal[2] >= 0.0 else -normal
    return Ground(_point(middle.tolist()), _point(normal.tolist()))


def _velocity(forward: float, left: float, turn: float) -> Velocity:
    return Velocity(round(forward, 5), round(left, 5), round(turn, 5))


def _rounded(values: Sequence[float], digits: int) -> tuple[float, ...]:
    return tuple(round(value, digits) for value in values)


def _point(point: Sequence[float]) -> Vector:
    x, y, z = point
    return (round(x, 5), round(y, 5), round(z, 5))


def _points(points: Sequence[Vector]) -> tuple[Vector, ...]:
    return tuple(map(_point, points))
