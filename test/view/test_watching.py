# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Frames of what is known: by Pinocchio, scipy and numpy, and nothing that is not known."""

from dataclasses import replace
from math import pi
from pathlib import Path

import numpy as np
import pinocchio
import pytest
import yaml
from numpy.typing import NDArray
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import FootTargets, RobotReport
from leg_kinematics.robot import Vector
from leg_kinematics.view.messages import Balance, Frame, Ground, Pose, Velocity
from leg_kinematics.view.watching import Known, Moving, Watching

Array = NDArray[np.float64]

CONFIG = Path(__file__).parents[2] / 'config'
ROBOT = CONFIG / 'robots' / 'bracken.yaml'
SERVO_MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'

#: Places are told to a hundredth of a millimetre, m.
ROUNDING = 0.6e-5

#: A step of the difference quotient, s.
STEP = 1e-4


@pytest.fixture(scope='module')
def bracken() -> CalibratedRobot:
    """Read the example robot."""
    return CalibratedRobot.load(ROBOT, SERVO_MAPS)


@pytest.fixture(scope='module')
def watching(bracken: CalibratedRobot) -> Watching:
    """Watch it."""
    return Watching(bracken.robot, bracken.legs, bracken.maps.by_joint, '/bed')


class InPinocchio:
    """The robot as Pinocchio has it, from the URDF that the page is told."""

    def __init__(self, watching: Watching) -> None:
        """Read the URDF; a free joint has the mass of the body count."""
        self._model = pinocchio.buildModelFromXML(
            watching.robot.urdf, pinocchio.JointModelFreeFlyer()
        )
        self._data = self._model.createData()
        self._legs = [leg.name for leg in watching.robot.legs]
        self._joints = [joint.name for joint in watching.robot.joints]

    def places(self, angles: list[float]) -> tuple[Array, Array]:
        """Give feet, shape (legs, 3), and centre of mass, both in `base_link`, m."""
        posture = pinocchio.neutral(self._model)
        for name, angle in zip(self._joints, angles, strict=True):
            posture[self._model.joints[self._model.getJointId(name)].idx_q] = angle
        pinocchio.framesForwardKinematics(self._model, self._data, posture)
        centre = pinocchio.centerOfMass(self._model, self._data, posture)
        frames = [self._model.getFrameId(f'{leg}_foot') for leg in self._legs]
        return np.array([self._data.oMf[each].translation for each in frames]), np.array(centre)


@pytest.fixture(scope='module')
def in_pinocchio(watching: Watching) -> InPinocchio:
    """Look at the robot by Pinocchio."""
    return InPinocchio(watching)


def at_rest(rpy: Vector = (0.0, 0.0, 0.0), position: Vector = (0.0, 0.0, 0.0)) -> Moving:
    """Put a body that does not move somewhere in `odom`."""
    x, y, z, w = Rotation.from_euler('xyz', rpy).as_quat().tolist()
    return Moving(Pose(position, (x, y, z, w)), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0))


def targets(bracken: CalibratedRobot, feet: Array, speeds: Array | None = None) -> FootTargets:
    """Give a stream of one point; without speeds everything rests."""
    rows = np.zeros_like(feet) if speeds is None else speeds
    return FootTargets(0, bracken.robot.leg_names, (0.0,), [feet.tolist()], [rows.tolist()])


def random_angles(watching: Watching, rng: np.random.Generator) -> list[float]:
    """Draw angles between the limits."""
    return [float(rng.uniform(each.lower, each.upper)) for each in watching.robot.joints]


def standing_angles(
    bracken: CalibratedRobot, rpy: Vector, rng: np.random.Generator, rough: float
) -> list[float]:
    """Stand on rough ground with a body that leans: where feet are is asked of Pinocchio later."""
    angles: list[float] = []
    turned, ahead = Rotation.from_euler('xyz', rpy), Rotation.from_euler('z', rpy[2])
    level = np.array(bracken.robot.standing.feet)
    for leg, foot in zip(bracken.legs, level, strict=True):
        moved = foot + np.append(rng.uniform(-0.01, 0.01, 2), rng.uniform(-rough, rough))
        x, y, z = turned.inv().apply(ahead.apply(moved)).tolist()
        angles += leg.angles((x, y, z))
    return angles


def balance_of(frame: Frame) -> Balance:
    """Give the balance, which is known."""
    assert frame.balance is not None
    return frame.balance


def test_feet_and_centre_of_mass_are_those_of_pinocchio(
    bracken: CalibratedRobot, watching: Watching, in_pinocchio: InPinocchio
) -> None:
    """By the URDF that the page is told, in random postures."""
    rng = np.random.default_rng(1)
    for _ in range(100):
        angles = random_angles(watching, rng)
        feet, centre = in_pinocchio.places(angles)
        frame = watching.frame(
            0.0, Known(angles=angles, moving=at_rest(), targets=targets(bracken, feet))
        )
        assert frame.feet is not None
        assert np.array(frame.feet) == pytest.approx(feet, abs=ROUNDING)
        assert balance_of(frame).centre_of_mass == pytest.approx(centre, abs=ROUNDING)


def test_the_margin_is_that_of_the_convex_hull_of_scipy(
    bracken: CalibratedRobot, watching: Watching, in_pinocchio: InPinocchio
) -> None:
    """Along the ground, with bodies that lean, on four to six feet; inside and outside."""
    rng = np.random.default_rng(2)
    outside = 0
    for _ in range(100):
        rpy = (*rng.uniform(-0.12, 0.12, 2).tolist(), float(rng.uniform(-pi, pi)))
        angles = standing_angles(bracken, rpy, rng, 0.004)
        feet, centre = in_pinocchio.places(angles)
        stands = rng.permutation([True] * 3 + rng.choice([True, False], 3).tolist())
        speeds = np.where(stands[:, None], 0.0, [0.0, 0.0, 0.3])
        known = Known(angles=angles, moving=at_rest(rpy), targets=targets(bracken, feet, speeds))
        frame = watching.frame(0.0, known)
        assert frame.standing == tuple(stands)
        turned = Rotation.from_euler('xyz', rpy)
        shadow, point = turned.apply(feet[stands])[:, :2], turned.apply(centre)[:2]
        hull = ConvexHull(shadow)
        # Each row of its equations is an outward normal of length 1 and the distance along it.
        beyond = hull.equations[:, :2] @ point + hull.equations[:, 2]
        margin = balance_of(frame).margin
        if beyond.max() <= 0.0:
            assert margin == pytest.approx(-beyond.max(), abs=2 * ROUNDING)
        else:
            outside += 1
            share = np.linspace(0.0, 1.0, 2001)[:, None]
            corners = shadow[hull.vertices]
            edges = zip(corners, np.roll(corners, -1, axis=0), strict=True)
            along = np.concatenate([one + share * (other - one) for one, other in edges])
            nearest = np.linalg.norm(along - point, axis=1).min()
            assert margin == pytest.approx(-nearest, abs=1e-5)
        # scipy gives the corners of a plane hull counter-clockwise as well.
        support = np.array(balance_of(frame).support)
        corners = feet[stands][hull.vertices]
        first = np.linalg.norm(corners - support[0], axis=1).argmin()
        assert support == pytest.approx(np.roll(corners, -first, axis=0), abs=ROUNDING)
    assert 10 < outside < 90


def test_the_ground_is_the_plane_of_least_squares_of_numpy(
    bracken: CalibratedRobot, watching: Watching, in_pinocchio: InPinocchio
) -> None:
    """In `odom`; on ground that is nearly level both kinds of squares come to the same."""
    rng = np.random.default_rng(3)
    for _ in range(50):
        rpy = (*rng.uniform(-0.12, 0.12, 2).tolist(), float(rng.uniform(-pi, pi)))
        x, y, z = rng.uniform(-2.0, 2.0, 3).tolist()
        angles = standing_angles(bracken, rpy, rng, 0.004)
        feet, _ = in_pinocchio.places(angles)
        moving = at_rest(rpy, (x, y, z))
        known = Known(angles=angles, moving=moving, targets=targets(bracken, feet))
        ground = watching.frame(0.0, known).ground
        assert isinstance(ground, Ground)
        points = Rotation.from_euler('xyz', rpy).apply(feet) + np.array([x, y, z])
        middle = points.mean(axis=0)
        (a, b), *_ = np.linalg.lstsq((points - middle)[:, :2], (points - middle)[:, 2], rcond=None)
        normal = np.array([-a, -b, 1.0]) / np.linalg.norm([a, b, 1.0])
        assert ground.normal == pytest.approx(normal, abs=1e-4)
        assert np.dot(np.array(ground.point) - middle, normal) == pytest.approx(0.0, abs=1e-5)


def test_feet_stand_that_do_not_move_over_the_ground(
    bracken: CalibratedRobot, watching: Watching, in_pinocchio: InPinocchio
) -> None:
    """By a difference quotient of places in `odom`; the one that is still in the air does not."""
    rng = np.random.default_rng(4)
    linear, angular = (0.08, -0.03, 0.0), (0.02, -0.03, 0.5)
    angles = standing_angles(bracken, (0.0, 0.0, 0.0), rng, 0.0)
    feet, _ = in_pinocchio.places(angles)
    # The body goes on for a moment, and the feet stay where they were in `odom`.
    after = Rotation.from_rotvec(np.multiply(STEP, angular))
    speeds = (after.inv().apply(feet - np.multiply(STEP, linear)) - feet) / STEP
    moving = replace(at_rest(), linear=linear, angular=angular)

    def standing(speeds: Array, angles: list[float]) -> tuple[bool, ...] | None:
        told = targets(bracken, feet, speeds)
        return watching.frame(0.0, Known(angles=angles, moving=moving, targets=told)).standing

    assert standing(speeds, angles) == (True,) * 6
    swings = speeds.copy()
    swings[2] = 0.0
    assert standing(swings, angles) == (True, True, False, True, True, True)
    raised = angles.copy()
    raised[3 * 4 : 3 * 5] = bracken.legs[4].angles(
        tuple((feet[4] + np.array([0.0, 0.0, 0.03])).tolist())
    )
    assert standing(speeds, raised) == (True, True, True, True, False, True)


def test_pulses_are_those_of_the_file_of_servo_maps(watching: Watching) -> None:
    """Read by PyYAML: centre and gain of each joint, and the horn that sits at an angle."""
    told = yaml.safe_load(SERVO_MAPS.read_text(encoding='utf-8'))['joints']
    rng = np.random.default_rng(5)
    angles = random_angles(watching, rng)
    frame = watching.frame(0.0, Known(angles=angles))
    assert frame.pulses_us is not None
    for joint, angle, pulse in zip(watching.robot.joints, angles, frame.pulses_us, strict=True):
        each = told[joint.name]
        if 'table' in each:
            rows = [[float(cell.split()[0]) for cell in row] for row in each['table']]
            degrees, pulses = zip(*sorted(rows), strict=True)
            expected = float(np.interp(angle * 180.0 / pi, degrees, pulses))
        else:
            centre, gain, horn = (
                float(each[key].split()[0]) for key in ('centre', 'gain', 'horn_offset')
            )
            expected = centre + gain * (angle - horn * pi / 180.0)
        assert pulse == pytest.approx(expected, abs=0.06), joint.name
        ends = sorted((joint.lower_us or 0.0, joint.upper_us or 0.0))
        assert ends[0] <= pulse <= ends[1]


def test_what_is_not_known_is_null(bracken: CalibratedRobot, watching: Watching) -> None:
    """Of nothing comes nothing; and whether feet stand is told by odometry and targets only."""
    assert watching.frame(3.00001, Known()) == Frame(3.0)
    angles = [0.0] * len(watching.robot.joints)
    feet = np.array(bracken.robot.standing.feet)
    whole = Known(
        RobotReport(PowerState.FOLLOWING, 1, 0, None, 0.0123456),
        angles,
        [0.1] * len(angles),
        targets(bracken, feet),
        at_rest(),
        Velocity(0.1, 0.0, -0.2),
    )
    frame = watching.frame(0.0, whole)
    assert None not in vars(frame).values()
    assert (frame.power, frame.lag) == (PowerState.FOLLOWING, 0.01235)
    assert (frame.wanted, frame.walked) == (Velocity(0.1, 0.0, -0.2), Velocity(0.0, 0.0, 0.0))
    missing = {
        'report': {'power', 'lag'},
        'angles': {'angles', 'pulses_us', 'feet', 'standing', 'balance', 'ground'},
        'loads': {'loads'},
        'targets': {'foot_targets', 'standing', 'balance', 'ground'},
        'moving': {'base', 'walked', 'standing', 'balance', 'ground'},
        'wanted': {'wanted'},
    }
    for name, nulls in missing.items():
        frame = watching.frame(0.0, replace(whole, **{name: None}))
        assert {key for key, value in vars(frame).items() if value is None} == nulls, name


def test_targets_are_told_leg_by_leg_of_whatever_order(
    bracken: CalibratedRobot, watching: Watching
) -> None:
    """Straight moves, and those of some legs only, do not tell where feet shall be now."""
    feet = np.array(bracken.robot.standing.feet)
    told = targets(bracken, feet)
    assert told.velocities is not None
    turned = FootTargets(
        0, told.legs[::-1], told.times, [told.feet[0][::-1]], [told.velocities[0][::-1]]
    )
    found = watching.frame(0.0, Known(targets=turned)).foot_targets
    assert found is not None
    assert np.array(found) == pytest.approx(feet, abs=ROUNDING)
    straight = replace(told, velocities=None)
    some = FootTargets(0, told.legs[:2], told.times, [told.feet[0][:2]], [told.velocities[0][:2]])
    for each in (straight, some):
        assert watching.frame(0.0, Known(targets=each)).foot_targets is None


def test_who_stands_on_one_foot_or_none_has_a_balance_of_it(
    bracken: CalibratedRobot, watching: Watching, in_pinocchio: InPinocchio
) -> None:
    """Nothing is inside of a point: its margin is the distance; without any foot there is none."""
    angles = standing_angles(bracken, (0.0, 0.0, 0.0), np.random.default_rng(6), 0.0)
    feet, centre = in_pinocchio.places(angles)
    speeds = np.full_like(feet, 0.2)
    for stands in (False, True):
        speeds[0] = 0.0 if stands else 0.2
        known = Known(angles=angles, moving=at_rest(), targets=targets(bracken, feet, speeds))
        frame = watching.frame(0.0, known)
        assert frame.ground is None
        if stands:
            distance = np.linalg.norm(feet[0, :2] - centre[:2])
            assert balance_of(frame).margin == pytest.approx(-distance, abs=ROUNDING)
        else:
            assert (balance_of(frame).margin, balance_of(frame).support) == (None, ())
