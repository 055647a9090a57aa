# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whole robots against MuJoCo and Pinocchio, which know nothing of our formulas.

Three descriptions: bracken, four legs on mounts that lean, eight legs on mounts no two of which
are alike. Both references are built here from the description, not from our URDF.
"""

from pathlib import Path

import mujoco
import numpy as np
import pinocchio
import pytest
from numpy.typing import NDArray

from leg_kinematics.robot import STANDARD_GRAVITY, Robot, Vector, load_robot
from leg_kinematics.solver import centre_of_mass, jacobian, leg_solvers
from leg_kinematics.solver.statics.load import joint_torques

FILES = (
    Path(__file__).parents[3] / 'config' / 'robots' / 'bracken.yaml',
    Path(__file__).parent / 'robots' / 'sorrel.yaml',
    Path(__file__).parent / 'robots' / 'tansy.yaml',
)

FEW_POSES, MANY_POSES = 1_000, 10_000

#: In the frame of each joint: coxa about +z, femur and tibia about -y.
AXES = ((0.0, 0.0, 1.0), (0.0, -1.0, 0.0), (0.0, -1.0, 0.0))

#: Of every link; statics do not depend on it.
INERTIA = 1e-4

Floats = NDArray[np.float64]

#: Feet, shape (legs, 3), Jacobians of the own joints of each leg, shape (legs, 3, 3), centre of
#: mass, shape (3,), and torques that hold the weight of the links, shape (legs, 3).
State = tuple[Floats, Floats, Floats, Floats]


class InMujoco:
    """The robot as a MuJoCo model, one hinge a joint and one site a foot."""

    def __init__(self, robot: Robot) -> None:
        """Write the model from the description and compile it."""
        self.model = mujoco.MjModel.from_xml_string(_mjcf(robot))
        self.data = mujoco.MjData(self.model)
        self.base = self.model.body('base_link').id
        self.sites = [self.model.site(leg.name).id for leg in robot.legs]

    def state(self, angles: Floats) -> State:
        """Set all joints, rad, shape (legs, 3)."""
        self.data.qpos[:] = angles.ravel()
        mujoco.mj_fwdPosition(self.model, self.data)
        mujoco.mj_fwdVelocity(self.model, self.data)
        rows = np.zeros((len(self.sites), 3, self.model.nv))
        for row, site in zip(rows, self.sites, strict=True):
            mujoco.mj_jacSite(self.model, self.data, row, None, site)
        return (
            self.data.site_xpos[self.sites],
            own_joints(rows),
            self.data.subtree_com[self.base].copy(),
            self.data.qfrc_bias.reshape(-1, 3).copy(),
        )


def _mjcf(robot: Robot) -> str:
    """Write body, mounts, links and feet; capital letters in eulerseq mean fixed axes."""

    def inertial(mass: float, place: Vector) -> str:
        inertia = _row(3 * (INERTIA,))
        return f'<inertial mass="{mass!r}" pos="{_row(place)}" diaginertia="{inertia}"/>'

    legs = []
    for leg in robot.legs:
        nested = f'<site name="{leg.name}" pos="{_row((leg.tibia.length, 0.0, 0.0))}"/>'
        starts = (0.0, leg.coxa.length, leg.femur.length)
        for joint, link, start, axis in reversed(
            list(zip(leg.joints, leg.links, starts, AXES, strict=True))
        ):
            nested = (
                f'<body pos="{_row((start, 0.0, 0.0))}"><joint name="{joint}" axis="{_row(axis)}"/>'
                f'{inertial(link.mass, (link.centre_of_mass, 0.0, 0.0))}{nested}</body>'
            )
        mount = leg.mount
        legs.append(f'<body pos="{_row(mount.position)}" euler="{_row(mount.rpy)}">{nested}</body>')
    body = inertial(robot.body.mass, robot.body.centre_of_mass)
    return (
        f'<mujoco><compiler angle="radian" eulerseq="XYZ"/>'
        f'<option gravity="0 0 {-STANDARD_GRAVITY!r}"/><worldbody>'
        f'<body name="base_link">{body}{"".join(legs)}</body></worldbody></mujoco>'
    )


def _row(values: Vector) -> str:
    return ' '.join(repr(value) for value in values)


class InPinocchio:
    """The robot as a Pinocchio model, free to move, so that the mass of the body counts."""

    def __init__(self, robot: Robot) -> None:
        """Build the model from the description."""
        self.model = pinocchio.Model()
        self.model.gravity = pinocchio.Motion(np.array([0, 0, -STANDARD_GRAVITY]), np.zeros(3))
        free, here = pinocchio.JointModelFreeFlyer(), pinocchio.SE3(1)
        base = self.model.addJoint(0, free, here, 'base_link')
        body = _solid(robot.body.mass, robot.body.centre_of_mass)
        self.model.appendBodyToJoint(base, body, here)
        self.feet = []
        for leg in robot.legs:
            turn = pinocchio.rpy.rpyToMatrix(*leg.mount.rpy)
            place, parent = pinocchio.SE3(turn, np.array(leg.mount.position)), base
            for name, link, axis in zip(leg.joints, leg.links, AXES, strict=True):
                joint = pinocchio.JointModelRevoluteUnaligned(np.array(axis))
                parent = self.model.addJoint(parent, joint, place, name)
                solid = _solid(link.mass, (link.centre_of_mass, 0.0, 0.0))
                self.model.appendBodyToJoint(parent, solid, here)
                place = pinocchio.SE3(np.eye(3), np.array([link.length, 0.0, 0.0]))
            kind = pinocchio.FrameType.OP_FRAME
            frame = pinocchio.Frame(leg.name, parent, parent, place, kind)
            self.feet.append(self.model.addFrame(frame))
        self.data = self.model.createData()

    def state(self, angles: Floats) -> State:
        """Set all joints, rad, shape (legs, 3)."""
        model, data, q = self.model, self.data, pinocchio.neutral(self.model)
        q[-angles.size :] = angles.ravel()
        pinocchio.computeJointJacobians(model, data, q)
        pinocchio.updateFramePlacements(model, data)
        aligned = pinocchio.LOCAL_WORLD_ALIGNED
        rows = [
            pinocchio.getFrameJacobian(model, data, foot, aligned)[:3, -angles.size :]
            for foot in self.feet
        ]
        return (
            np.array([data.oMf[foot].translation for foot in self.feet]),
            own_joints(np.array(rows)),
            pinocchio.centerOfMass(model, data, q).copy(),
            pinocchio.computeGeneralizedGravity(model, data, q)[-angles.size :].reshape(-1, 3),
        )


def _solid(mass: float, place: Vector) -> pinocchio.Inertia:
    return pinocchio.Inertia(mass, np.array(place), INERTIA * np.eye(3))


def own_joints(rows: Floats) -> Floats:
    """Jacobians of the joints of each leg alone; the others must not move its foot."""
    legs = len(rows)
    by_leg = rows.reshape(legs, 3, legs, 3)
    own = by_leg[np.arange(legs), :, np.arange(legs)].copy()
    assert np.count_nonzero(by_leg) == np.count_nonzero(own)
    return own


def our_states(robot: Robot, poses: Floats) -> State:
    """Solve every pose, shape (n, legs, 3), by the scalar code."""
    solvers = leg_solvers(robot)
    feet, rows, centres, torques = [], [], [], []
    for pose in poses.tolist():
        feet.append([leg.foot(q) for leg, q in zip(solvers, pose, strict=True)])
        rows.append([jacobian(leg.geometry, q) for leg, q in zip(solvers, pose, strict=True)])
        centres.append(centre_of_mass(robot, solvers, pose))
        torques.append(
            [
                joint_torques(leg, solver, q, (0.0, 0.0, 0.0))
                for leg, solver, q in zip(robot.legs, solvers, pose, strict=True)
            ]
        )
    turns = np.array([leg.mount.rotation for leg in solvers])
    return np.array(feet), turns @ np.array(rows), np.array(centres), np.array(torques)


@pytest.mark.parametrize('count', [FEW_POSES, pytest.param(MANY_POSES, marks=pytest.mark.soak)])
@pytest.mark.parametrize('file', FILES, ids=lambda file: file.stem)
def test_stands_moves_and_weighs_as_mujoco_and_pinocchio_say(file: Path, count: int) -> None:
    """Random poses: feet and Jacobians agree to 1e-12, mass and torques to 1e-9.

    MuJoCo (site_xpos, mj_jacSite, subtree_com, qfrc_bias) and Pinocchio (oMf, getFrameJacobian,
    centerOfMass, computeGeneralizedGravity).
    """
    robot = load_robot(file)
    poses = np.random.default_rng(10).uniform(-np.pi, np.pi, (count, len(robot.legs), 3))
    ours = our_states(robot, poses)
    for reference in (InMujoco(robot), InPinocchio(robot)):
        theirs = [np.array(each) for each in zip(*map(reference.state, poses), strict=True)]
        for found, expected, tolerance in zip(
            ours, theirs, (1e-12, 1e-12, 1e-9, 1e-9), strict=True
        ):
            assert found.shape == expected.shape
            assert np.abs(found - expected).max() <= tolerance
