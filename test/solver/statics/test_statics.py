# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Foot forces and joint torques against textbooks, Pinocchio and MuJoCo."""

from dataclasses import replace
from math import atan, cos, pi, radians, sin
from pathlib import Path
from random import Random

import mujoco
import numpy as np
import pinocchio
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize

from leg_kinematics.errors import BalanceError
from leg_kinematics.robot import STANDARD_GRAVITY, Leg, Mount, Robot, Vector, load_robot
from leg_kinematics.solver import centre_of_mass, leg_solvers, posture_angles
from leg_kinematics.solver.statics.load import (
    foot_forces,
    joint_torques,
    standing_loads,
    torque_margins,
)

BRACKEN = load_robot(Path(__file__).parents[3] / 'config' / 'robots' / 'bracken.yaml')
GRAVITY = (0.0, 0.0, -STANDARD_GRAVITY)
LEVEL_FRAME = Mount((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))


def weightless(coxa: float, femur: float, tibia: float) -> Leg:
    """Make a leg of given lengths, m, without mass, that points along +x of `base_link`."""
    links = (
        replace(link, length=length, mass=0.0)
        for link, length in zip(BRACKEN.legs[0].links, (coxa, femur, tibia), strict=True)
    )
    return Leg('arm', LEVEL_FRAME, *links)


def torques_of(leg: Leg, angles: Vector, force: Vector) -> Vector:
    """Compute the holding torques of one leg alone, N·m."""
    (solver,) = leg_solvers(replace(BRACKEN, legs=(leg,)))
    return joint_torques(leg, solver, angles, force)


def robot_of(count: int) -> Robot:
    """Give bracken another number of legs, each mount rolled, pitched and turned."""
    random = Random(count)
    legs = tuple(
        replace(
            BRACKEN.legs[0],
            name=f'leg_{index}',
            mount=Mount(
                (random.uniform(-0.2, 0.2), random.uniform(-0.2, 0.2), random.uniform(-0.1, 0.1)),
                (random.uniform(-pi, pi), random.uniform(-1.5, 1.5), random.uniform(-pi, pi)),
            ),
        )
        for index in range(count)
    )
    return replace(BRACKEN, legs=legs)


ROBOTS = pytest.mark.parametrize(
    'robot', [BRACKEN, robot_of(4), robot_of(8)], ids=['bracken', 'four tilted', 'eight tilted']
)


@pytest.mark.parametrize(
    ('degrees', 'expected'),
    [
        ((0, 0, 0), (0.0, -2.5, -1.5)),
        ((0, -30, 90), (0.0, -1.61602540, -0.75)),
        ((30, -30, 90), (0.0, -1.61602540, -0.75)),
        ((-45, 20, 60), (0.0, -1.200164887, -0.260472267)),
        ((90, 0, 90), (0.0, -1.0, 0.0)),
        ((15, -60, 120), (0.0, -1.25, -0.75)),
    ],
)
def test_holds_a_vertical_force_like_the_yaw_pitch_pitch_arm(
    degrees: tuple[int, int, int], expected: Vector
) -> None:
    """J^T (0, 0, 10 N) of the arm 0.05, 0.10, 0.15 m, whose pitch is minus our angle.

    `modern-robotics`, `roboticstoolbox-python`, `pin` and `pytransform3d` agree on the values.
    The holding torque is minus J^T F, and minus again where the angle turns the other way.
    """
    yaw, shoulder, elbow = (radians(angle) for angle in degrees)
    arm = weightless(0.05, 0.10, 0.15)
    q1, q2, q3 = torques_of(arm, (yaw, -shoulder, -elbow), (0.0, 0.0, 10.0))
    assert (-q1, q2, q3) == pytest.approx(expected, abs=1e-8)


def test_holds_a_force_like_an_arm_of_two_links() -> None:
    """Links 1, 1 at (pi/4, 3 pi/8) under (0.5, 0.5): J^T F is -0.6532815 in both joints.

    Computed by hand, and equal in Pinocchio; the holding torque is the opposite.
    """
    arm = weightless(0.0, 1.0, 1.0)
    _, q2, q3 = torques_of(arm, (0.0, pi / 4, 3 * pi / 8), (0.5, 0.0, 0.5))
    assert (q2, q3) == pytest.approx((0.6532815, 0.6532815), abs=1e-7)


def test_holds_its_own_weight_like_a_lever() -> None:
    """Stretched level and in the air, each joint holds weight times lever arm (by hand)."""
    leg = replace(BRACKEN.legs[0], mount=LEVEL_FRAME)
    _, femur, tibia = leg.links
    knee = tibia.mass * tibia.centre_of_mass
    hip = femur.mass * femur.centre_of_mass + tibia.mass * (femur.length + tibia.centre_of_mass)
    found = torques_of(leg, (0.3, 0.0, 0.0), (0.0, 0.0, 0.0))
    expected = (0.0, STANDARD_GRAVITY * hip, STANDARD_GRAVITY * knee)
    assert found == pytest.approx(expected, abs=1e-15)


angles_of_eight = st.tuples(*8 * [st.tuples(*3 * [st.floats(-pi, pi)])])
forces_on_eight = st.tuples(*8 * [st.tuples(*3 * [st.floats(-50.0, 50.0)])])


@ROBOTS
@given(poses=angles_of_eight, forces=forces_on_eight)
def test_holds_any_posture_with_the_torques_of_pinocchio(
    robot: Robot, poses: tuple[Vector, ...], forces: tuple[Vector, ...]
) -> None:
    """Static torques under any foot forces agree to 1e-9 N·m (pin, computeStaticTorque)."""
    for leg, solver, angles, force in zip(
        robot.legs, leg_solvers(robot), poses, forces, strict=False
    ):
        model, foot = pinocchio_leg(leg)
        data = model.createData()
        pinocchio.forwardKinematics(model, data, np.array(angles))
        turned = data.oMi[3].rotation.T @ np.array(force)
        external = [pinocchio.Force.Zero() for _ in range(3)]
        external.append(pinocchio.Force(turned, np.cross(foot, turned)))
        expected = pinocchio.computeStaticTorque(model, data, np.array(angles), external)
        found = joint_torques(leg, solver, angles, force)
        np.testing.assert_allclose(found, expected, atol=1e-9, rtol=0)


def pinocchio_leg(leg: Leg) -> tuple[pinocchio.Model, np.ndarray]:
    """Build one leg for Pinocchio, and the foot in the frame of its tibia joint, m."""
    model = pinocchio.Model()
    model.gravity = pinocchio.Motion(np.array(GRAVITY), np.zeros(3))
    place = pinocchio.SE3(pinocchio.rpy.rpyToMatrix(*leg.mount.rpy), np.array(leg.mount.position))
    parent = 0
    axes = ((0.0, 0.0, 1.0), (0.0, -1.0, 0.0), (0.0, -1.0, 0.0))
    for name, link, axis in zip(leg.joints, leg.links, axes, strict=True):
        joint = pinocchio.JointModelRevoluteUnaligned(np.array(axis))
        parent = model.addJoint(parent, joint, place, name)
        centre = np.array([link.centre_of_mass, 0.0, 0.0])
        inertia = pinocchio.Inertia(link.mass, centre, 1e-4 * np.eye(3))
        model.appendBodyToJoint(parent, inertia, pinocchio.SE3.Identity())
        place = pinocchio.SE3(np.eye(3), np.array([link.length, 0.0, 0.0]))
    return model, place.translation


@ROBOTS
def test_holds_any_posture_with_the_torques_of_mujoco(robot: Robot) -> None:
    """Static torques of 300 random postures agree to 1e-9 N·m (MuJoCo, qfrc_bias, mj_jacSite)."""
    random = np.random.default_rng(3)
    for leg, solver in zip(robot.legs, leg_solvers(robot), strict=True):
        model = mujoco_leg(leg)
        data = mujoco.MjData(model)
        for _ in range(300):
            data.qpos[:] = random.uniform(-pi, pi, 3)
            force = random.uniform(-50.0, 50.0, 3)
            mujoco.mj_forward(model, data)
            rows = np.zeros((3, 3))
            mujoco.mj_jacSite(model, data, rows, None, 0)
            q1, q2, q3 = data.qpos.tolist()
            x, y, z = force.tolist()
            found = joint_torques(leg, solver, (q1, q2, q3), (x, y, z))
            expected = data.qfrc_bias - rows.T @ force
            np.testing.assert_allclose(found, expected, atol=1e-9, rtol=0)


def mujoco_leg(leg: Leg) -> mujoco.MjModel:
    """Build one leg for MuJoCo, with a site at the foot."""
    spec = mujoco.MjSpec()
    spec.option.gravity = GRAVITY
    spec.compiler.degree = False
    parent = spec.worldbody
    # MuJoCo composes Euler angles in its own order; a quaternion has one meaning.
    turn = pinocchio.Quaternion(pinocchio.rpy.rpyToMatrix(*leg.mount.rpy))
    place, quaternion = leg.mount.position, [turn.w, turn.x, turn.y, turn.z]
    axes = ((0.0, 0.0, 1.0), (0.0, -1.0, 0.0), (0.0, -1.0, 0.0))
    for name, link, axis in zip(leg.joints, leg.links, axes, strict=True):
        parent = parent.add_body(name=name, pos=place, quat=quaternion)
        parent.add_joint(name=name, type=mujoco.mjtJoint.mjJNT_HINGE, axis=axis)
        parent.mass = link.mass
        parent.ipos = (link.centre_of_mass, 0.0, 0.0)
        parent.inertia = 3 * [1e-4]
        parent.explicitinertial = True
        place, quaternion = (link.length, 0.0, 0.0), [1.0, 0.0, 0.0, 0.0]
    parent.add_site(name='foot', pos=place)
    return spec.compile()


def test_margin_is_the_share_of_the_stall_torque_left() -> None:
    """Nothing to hold leaves all, half the stall torque half, twice of it minus all."""
    leg = BRACKEN.legs[0]
    stall = leg.coxa.servo.stall_torque
    assert torque_margins(leg, (0.0, -0.5 * stall, 2.0 * stall)) == pytest.approx((1.0, 0.5, -1.0))


TRIANGLE = ((0.0, 0.0, 0.0), (4.0, 0.0, 0.0), (0.0, 3.0, 0.0))


@pytest.mark.parametrize(
    ('place', 'shares'),
    [
        ((4 / 3, 1.0), (1 / 3, 1 / 3, 1 / 3)),
        ((1.0, 1.0), (5 / 12, 1 / 4, 1 / 3)),
        ((2.0, 0.0), (1 / 2, 1 / 2, 0.0)),
        ((4.0, 0.0), (0.0, 1.0, 0.0)),
    ],
)
def test_three_feet_share_the_weight_by_the_law_of_the_lever(
    place: tuple[float, float], shares: Vector
) -> None:
    """Barycentric coordinates of the centre of mass; inside, on an edge, on a foot (by hand)."""
    forces = foot_forces(TRIANGLE, (*place, 1.0), (0.0, 0.0, -12.0), 0.6)
    for force, share in zip(forces, shares, strict=True):
        assert force == pytest.approx((0.0, 0.0, 12.0 * share), abs=1e-7)


def test_one_foot_under_the_centre_carries_all() -> None:
    """A single foot carries what stands exactly over it, and nothing beside it."""
    assert foot_forces([(0.1, 0.2, 0.0)], (0.1, 0.2, 0.5), (0.0, 0.0, -7.0), 0.5)[
        0
    ] == pytest.approx((0.0, 0.0, 7.0))
    with pytest.raises(BalanceError, match='1 feet cannot carry 7 N'):
        foot_forces([(0.1, 0.2, 0.0)], (0.11, 0.2, 0.5), (0.0, 0.0, -7.0), 0.5)


def test_no_foot_carries_nothing() -> None:
    """A robot in the air has no foot forces."""
    with pytest.raises(BalanceError, match='no foot stands'):
        foot_forces([], (0.0, 0.0, 0.1), (0.0, 0.0, -7.0), 0.5)


def test_a_centre_of_mass_beside_the_feet_is_refused_with_its_margin() -> None:
    """5 mm outside its support polygon a robot would have to pull at the ground."""
    feet = [(0.1, 0.1, 0.0), (-0.1, 0.1, 0.0), (-0.1, -0.1, 0.0), (0.1, -0.1, 0.0)]
    with pytest.raises(BalanceError, match='the static margin is -5 mm'):
        foot_forces(feet, (0.105, 0.0, 0.1), (0.0, 0.0, -20.0), 0.6)
    assert foot_forces(feet, (0.099, 0.0, 0.1), (0.0, 0.0, -20.0), 0.6)


@pytest.mark.parametrize('heading', [0.0, 0.4, 1.1, 2.5, -2.0])
def test_stands_on_a_slope_up_to_the_angle_of_friction(heading: float) -> None:
    """A slope of atan(mu) is the limit (textbook); the pyramid may give up 2 % of mu, no more."""
    feet = [(0.2, 0.2, 0.0), (-0.2, 0.2, 0.0), (-0.2, -0.2, 0.0), (0.2, -0.2, 0.0)]
    friction = 0.5

    def carried(tangent: float) -> tuple[Vector, ...]:
        slope = atan(tangent)
        weight = (
            20.0 * sin(slope) * cos(heading),
            20.0 * sin(slope) * sin(heading),
            -20.0 * cos(slope),
        )
        return foot_forces(feet, (0.0, 0.0, 0.05), weight, friction)

    assert np.sum(carried(0.98 * friction), axis=0)[2] == pytest.approx(20.0 * cos(atan(0.49)))
    with pytest.raises(BalanceError, match=r'friction of 0\.5'):
        carried(1.001 * friction)


def random_stance(
    random: np.random.Generator,
) -> tuple[list[Vector], Vector, Vector, float, np.ndarray]:
    """Feet on uneven ground, centre of mass, tilted weight, friction and normal."""
    turns = np.sort(random.uniform(0.0, 2.0 * pi, random.integers(3, 7)))
    feet = [(0.2 * cos(t), 0.2 * sin(t), random.uniform(-0.03, 0.03)) for t in turns.tolist()]
    x, y, z = np.mean(feet, axis=0).tolist()
    centre = (x + random.uniform(-0.03, 0.03), y + random.uniform(-0.03, 0.03), z + 0.1)
    u, v = random.uniform(-4.0, 4.0, 2).tolist()
    normal = np.array([random.uniform(-0.1, 0.1), random.uniform(-0.1, 0.1), 1.0])
    return feet, centre, (u, v, -20.0), random.uniform(0.3, 0.9), normal


def test_forces_balance_the_weight_and_keep_the_friction_cone() -> None:
    """Sum of forces and of moments vanish, every foot pushes within its cone: 500 stances."""
    random = np.random.default_rng(11)
    carried = 0
    for _ in range(500):
        feet, centre, weight, friction, normal = random_stance(random)
        x, y, z = normal.tolist()
        try:
            forces = np.array(foot_forces(feet, centre, weight, friction, (x, y, z)))
        except BalanceError:
            continue
        carried += 1
        arms = np.array(feet) - centre
        assert forces.sum(axis=0) + weight == pytest.approx(np.zeros(3), abs=1e-11)
        assert np.cross(arms, forces).sum(axis=0) == pytest.approx(np.zeros(3), abs=1e-11)
        up = normal / np.linalg.norm(normal)
        push = forces @ up
        slip = np.linalg.norm(forces - np.outer(push, up), axis=1)
        assert (push >= -1e-7).all()
        assert (slip <= friction * push + 1e-7).all()
    assert carried > 250


def test_forces_are_the_least_that_a_general_optimiser_finds() -> None:
    """The effort lies between those of two round cones (scipy, SLSQP).

    The wide cone is the one asked for and contains the pyramid; the narrow one lies within it.
    """
    random = np.random.default_rng(5)
    compared = 0
    while compared < 25:
        feet, centre, weight, friction, normal = random_stance(random)
        x, y, z = normal.tolist()
        try:
            ours = np.array(foot_forces(feet, centre, weight, friction, (x, y, z)))
        except BalanceError:
            continue
        wide = least_effort(feet, centre, weight, friction, normal)
        narrow = least_effort(feet, centre, weight, friction * cos(pi / 16), normal)
        if wide is None or narrow is None:
            continue
        compared += 1
        effort = float(np.sum(ours * ours))
        assert wide * (1.0 - 1e-6) <= effort <= narrow * (1.0 + 1e-6)


def least_effort(
    feet: list[Vector], centre: Vector, weight: Vector, friction: float, normal: np.ndarray
) -> float | None:
    """Sum of squares, N^2, that SLSQP finds for a round cone, or None where it gives up."""
    arms = np.array(feet) - centre
    up = normal / np.linalg.norm(normal)

    def balance(flat: np.ndarray) -> np.ndarray:
        forces = flat.reshape(-1, 3)
        moments = np.cross(arms, forces).sum(axis=0)
        return np.concatenate([forces.sum(axis=0) + weight, 10.0 * moments])

    def cone(flat: np.ndarray) -> np.ndarray:
        forces = flat.reshape(-1, 3)
        push = forces @ up
        slip = np.linalg.norm(forces - np.outer(push, up), axis=1)
        return np.asarray(friction * push - slip)

    result = minimize(
        lambda flat: flat @ flat,
        np.tile(-np.array(weight) / len(feet), len(feet)),
        jac=lambda flat: 2.0 * flat,
        method='SLSQP',
        constraints=[{'type': 'eq', 'fun': balance}, {'type': 'ineq', 'fun': cone}],
        options={'maxiter': 500, 'ftol': 1e-12},
    )
    return float(result.fun) if result.success else None


def test_bracken_stands_on_six_feet_and_on_three() -> None:
    """The ground carries the whole weight, feet in the air nothing, and every servo holds."""
    legs = leg_solvers(BRACKEN)
    angles = posture_angles(BRACKEN, legs, 'standing')
    for standing in (6 * (True,), 3 * (True, False), 3 * (False, True)):
        loads = standing_loads(BRACKEN, legs, angles, standing, 0.6)
        total = np.sum(loads.forces, axis=0)
        assert total == pytest.approx((0.0, 0.0, BRACKEN.mass * STANDARD_GRAVITY))
        for force, on in zip(loads.forces, standing, strict=True):
            assert (force == (0.0, 0.0, 0.0)) is not on
        assert min(margin for leg in loads.margins for margin in leg) > 0.0


def test_holding_torques_balance_the_work_of_a_small_sinking() -> None:
    """Virtual work: sinking by a small way, all torques together do the work of the weight.

    The feet stay where they are; the centre of mass sinks with the body and by what the links
    move in it. Difference quotient of a millionth of a metre.
    """
    legs = leg_solvers(BRACKEN)
    angles = posture_angles(BRACKEN, legs, 'standing')
    sunk = tuple(
        leg.angles((x, y, z + 1e-6))
        for leg, (x, y, z) in zip(legs, BRACKEN.standing.feet, strict=True)
    )
    torques = standing_loads(BRACKEN, legs, angles, 6 * (True,), 0.6).torques
    work = np.sum(np.array(torques) * np.subtract(sunk, angles))
    before, after = (centre_of_mass(BRACKEN, legs, q)[2] for q in (angles, sunk))
    lost = BRACKEN.mass * STANDARD_GRAVITY * (after - 1e-6 - before)
    assert work == pytest.approx(lost, rel=1e-4)
