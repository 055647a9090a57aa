# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Every leg of bracken against MuJoCo, which knows nothing of our formulas."""

from dataclasses import replace
from math import pi
from pathlib import Path

import mujoco
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leg_kinematics.robot import Mount, Robot, Vector, load_robot
from leg_kinematics.solver import centre_of_mass, jacobian, leg_solvers

BRACKEN = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'

# Any pose will do; fixed-axis angles in every range, and no two alike.
SKEWED = (
    Mount((0.115, 0.060, 0.010), (0.3, -0.4, 0.7)),
    Mount((0.000, 0.085, -0.020), (-1.2, 0.5, 1.6)),
    Mount((-0.115, 0.060, 0.030), (2.9, -1.3, 2.4)),
    Mount((0.115, -0.060, 0.040), (-0.6, 0.9, -0.7)),
    Mount((0.000, -0.085, -0.050), (1.5, 1.5, -1.6)),
    Mount((-0.115, -0.060, 0.060), (-2.2, -0.8, -2.4)),
)


def level(robot: Robot) -> Robot:
    """Keep the mounts of the description, which only yaw."""
    return robot


def skewed(robot: Robot) -> Robot:
    """Roll, pitch and yaw every mount, and take the body's centre of mass off its origin."""
    legs = tuple(replace(leg, mount=mount) for leg, mount in zip(robot.legs, SKEWED, strict=True))
    body = replace(robot.body, centre_of_mass=(0.012, -0.007, 0.021))
    return replace(robot, legs=legs, body=body)


class Reference:
    """The robot as a MuJoCo model, one hinge a joint and one site a foot."""

    def __init__(self, robot: Robot) -> None:
        """Write the model from the description and compile it."""
        self.model = mujoco.MjModel.from_xml_string(_mjcf(robot))
        self.data = mujoco.MjData(self.model)

    def move(self, angles: tuple[Vector, ...]) -> None:
        """Set all joints, leg by leg, rad, and compute poses and Jacobians."""
        self.data.qpos[:] = np.ravel(angles)
        mujoco.mj_kinematics(self.model, self.data)
        mujoco.mj_comPos(self.model, self.data)

    def foot(self, leg: str) -> np.ndarray:
        """Place of a foot in `base_link`, m, shape (3,)."""
        place: np.ndarray = self.data.site(leg).xpos.copy()
        return place

    def jacobian(self, leg: str) -> np.ndarray:
        """Jacobian of a foot in `base_link`, m/rad, shape (3, 3), of the leg's own joints."""
        rows = np.zeros((3, self.model.nv))
        mujoco.mj_jacSite(self.model, self.data, rows, None, self.model.site(leg).id)
        first = self.model.joint(f'{leg}_coxa').dofadr[0]
        others = np.delete(rows, slice(first, first + 3), axis=1)
        assert not others.any()
        return rows[:, first : first + 3]

    def centre_of_mass(self) -> np.ndarray:
        """Centre of mass of body and legs in `base_link`, m, shape (3,)."""
        place: np.ndarray = self.data.subtree_com[self.model.body('base_link').id].copy()
        return place


def _mjcf(robot: Robot) -> str:
    """Write body, mounts, links and feet; capital letters in eulerseq mean fixed axes."""

    def inertial(mass: float, place: Vector) -> str:
        return f'<inertial mass="{mass!r}" pos="{_row(place)}" diaginertia="1e-4 1e-4 1e-4"/>'

    legs = []
    for leg in robot.legs:
        nested = f'<site name="{leg.name}" pos="{_row((leg.tibia.length, 0.0, 0.0))}"/>'
        starts = (0.0, leg.coxa.length, leg.femur.length)
        axes = ('0 0 1', '0 -1 0', '0 -1 0')
        for joint, link, start, axis in reversed(
            list(zip(leg.joints, leg.links, starts, axes, strict=True))
        ):
            nested = (
                f'<body pos="{_row((start, 0.0, 0.0))}"><joint name="{joint}" axis="{axis}"/>'
                f'{inertial(link.mass, (link.centre_of_mass, 0.0, 0.0))}{nested}</body>'
            )
        mount = leg.mount
        legs.append(f'<body pos="{_row(mount.position)}" euler="{_row(mount.rpy)}">{nested}</body>')
    body = inertial(robot.body.mass, robot.body.centre_of_mass)
    return (
        '<mujoco><compiler angle="radian" eulerseq="XYZ"/><worldbody>'
        f'<body name="base_link">{body}{"".join(legs)}</body></worldbody></mujoco>'
    )


def _row(values: Vector) -> str:
    return ' '.join(repr(value) for value in values)


@pytest.fixture(scope='module', params=[level, skewed])
def pair(request: pytest.FixtureRequest) -> tuple[Robot, Reference]:
    """Give the robot and its reference, once with level and once with skewed mounts."""
    robot = request.param(load_robot(BRACKEN))
    return robot, Reference(robot)


turns = st.floats(-pi, pi)
poses = st.tuples(*6 * [st.tuples(turns, turns, turns)])


@settings(deadline=None)
@given(angles=poses)
def test_places_every_foot_where_mujoco_does(
    pair: tuple[Robot, Reference], angles: tuple[Vector, ...]
) -> None:
    """Forward kinematics of the whole robot agree to 1e-12 m (MuJoCo, mj_kinematics)."""
    robot, reference = pair
    reference.move(angles)
    for solver, q in zip(leg_solvers(robot), angles, strict=True):
        np.testing.assert_allclose(solver.foot(q), reference.foot(solver.name), atol=1e-12, rtol=0)


@settings(deadline=None)
@given(angles=poses)
def test_moves_every_foot_as_mujoco_does(
    pair: tuple[Robot, Reference], angles: tuple[Vector, ...]
) -> None:
    """Jacobians of all legs, turned into the body frame, agree to 1e-12 (MuJoCo, mj_jacSite)."""
    robot, reference = pair
    reference.move(angles)
    for solver, q in zip(leg_solvers(robot), angles, strict=True):
        rows = np.array(solver.mount.rotation) @ np.array(jacobian(solver.geometry, q))
        np.testing.assert_allclose(rows, reference.jacobian(solver.name), atol=1e-12, rtol=0)


@settings(deadline=None)
@given(angles=poses)
def test_weighs_the_robot_as_mujoco_does(
    pair: tuple[Robot, Reference], angles: tuple[Vector, ...]
) -> None:
    """The centre of mass of body and links agrees to 1e-12 m (MuJoCo, subtree_com)."""
    robot, reference = pair
    reference.move(angles)
    found = centre_of_mass(robot, leg_solvers(robot), angles)
    np.testing.assert_allclose(found, reference.centre_of_mass(), atol=1e-12, rtol=0)
