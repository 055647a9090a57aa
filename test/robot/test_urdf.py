# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The URDF of three robots, as check_urdf, Pinocchio and MuJoCo read it."""

import os
import shutil
import subprocess
import sysconfig
from collections.abc import Callable
from dataclasses import replace
from math import pi
from pathlib import Path
from xml.etree import ElementTree as ET

import mujoco
import numpy as np
import pinocchio
import pytest
from click.testing import CliRunner

from leg_kinematics.commands.urdf import urdf as command
from leg_kinematics.robot import Body, Leg, Link, Mount, Robot, Vector, load_robot
from leg_kinematics.robot.urdf import urdf
from leg_kinematics.solver import centre_of_mass, leg_solvers

BRACKEN = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'

POSES = 10_000


def six_legs() -> Robot:
    """Return the robot that ships with the package."""
    return load_robot(BRACKEN)


def four_legs() -> Robot:
    """Return a robot of four legs with a body whose weight sits off its middle."""
    return _robot(
        'sorrel',
        Body(mass=1.3, size=(0.3, 0.16, 0.07), centre_of_mass=(0.021, -0.004, 0.013)),
        tuple(
            Mount((x, y, 0.0), (0.0, 0.0, yaw))
            for x, y, yaw in (
                (0.13, 0.07, pi / 4),
                (-0.13, 0.07, 3 * pi / 4),
                (0.13, -0.07, -pi / 4),
                (-0.13, -0.07, -3 * pi / 4),
            )
        ),
    )


def eight_legs() -> Robot:
    """Return a robot of eight legs on mounts that roll, pitch and yaw, no two alike."""
    rng = np.random.default_rng(8)
    mounts = []
    for _ in range(8):
        x, y, z = rng.uniform(-0.2, 0.2, 3).tolist()
        roll, pitch, yaw = rng.uniform(-1.5, 1.5, 3).tolist()
        mounts.append(Mount((x, y, z), (roll, pitch, yaw)))
    return _robot(
        'tansy',
        Body(mass=2.1, size=(0.4, 0.2, 0.06), centre_of_mass=(-0.01, 0.03, -0.02)),
        tuple(mounts),
    )


def _robot(name: str, body: Body, mounts: tuple[Mount, ...]) -> Robot:
    """Make a robot whose links all differ in length, mass, weight's place and thickness."""
    bracken = six_legs()

    def vary(link: Link, index: int) -> Link:
        length = link.length * (1.0 + 0.1 * index)
        return replace(
            link,
            length=length,
            mass=link.mass * (1.0 + 0.2 * index),
            centre_of_mass=length * (0.2 + 0.1 * index),
            radius=link.radius * (1.0 + 0.05 * index),
        )

    model = bracken.legs[0]
    legs = tuple(
        Leg(f'leg_{index}', mount, *(vary(link, index) for link in model.links))
        for index, mount in enumerate(mounts)
    )
    return replace(bracken, name=name, body=body, legs=legs)


@pytest.fixture(scope='module', params=[six_legs, four_legs, eight_legs])
def robot(request: pytest.FixtureRequest) -> Robot:
    """Give each robot in turn."""
    made: Robot = request.param()
    return made


@pytest.fixture
def in_pinocchio(robot: Robot) -> pinocchio.Model:
    """Load the robot into Pinocchio, free to move, so that the body's mass counts."""
    return pinocchio.buildModelFromXML(urdf(robot), pinocchio.JointModelFreeFlyer())


@pytest.fixture
def in_mujoco(robot: Robot) -> mujoco.MjModel:
    """Load the robot into MuJoCo, keeping base and feet as bodies of their own."""
    spec = mujoco.MjSpec.from_string(urdf(robot))
    spec.compiler.fusestatic = False
    return spec.compile()


@pytest.fixture
def poses(robot: Robot) -> list[tuple[Vector, ...]]:
    """Give random angles of all joints, all around the circle: joint limits do not matter."""
    rng = np.random.default_rng(len(robot.legs))
    return [
        tuple((q1, q2, q3) for q1, q2, q3 in pose.tolist())
        for pose in rng.uniform(-pi, pi, (POSES, len(robot.legs), 3))
    ]


def places(robot: Robot, poses: list[tuple[Vector, ...]]) -> tuple[np.ndarray, np.ndarray]:
    """Feet, shape (poses, legs, 3), and centre of mass, shape (poses, 3), by the solver, m."""
    solvers = leg_solvers(robot)
    feet = [[leg.foot(q) for leg, q in zip(solvers, pose, strict=True)] for pose in poses]
    centres = [centre_of_mass(robot, solvers, pose) for pose in poses]
    return np.array(feet), np.array(centres)


def test_check_urdf_finds_no_fault(robot: Robot, tmp_path: Path) -> None:
    """URDF's own checker reads the whole tree and has nothing to say on its error stream."""
    search = os.pathsep.join((sysconfig.get_path('scripts'), os.environ['PATH']))
    check_urdf = shutil.which('check_urdf', path=search)
    if check_urdf is None:
        pytest.skip('check_urdf is absent: it comes with pin or Debian liburdfdom-tools')
    file = tmp_path / 'robot.urdf'
    file.write_text(urdf(robot), encoding='utf-8')
    run = subprocess.run([check_urdf, file], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    assert not run.stderr
    assert f'root Link: base_link has {1 + len(robot.legs)} child(ren)' in run.stdout
    links = [line.split()[-1] for line in run.stdout.splitlines() if 'child(' in line][1:]
    assert links == ['body'] + [
        name
        for leg in robot.legs
        for name in (*(f'{joint}_link' for joint in leg.joints), f'{leg.name}_foot')
    ]


def test_pinocchio_agrees_with_the_solver(
    robot: Robot, in_pinocchio: pinocchio.Model, poses: list[tuple[Vector, ...]]
) -> None:
    """Mass, centre of mass and feet are those of the solver to 1e-12 (Pinocchio)."""
    model = in_pinocchio
    data = model.createData()
    frames = [model.getFrameId(f'{leg.name}_foot') for leg in robot.legs]
    # A revolute joint has one coordinate; the first seven of all are the pose of the body.
    order = [model.joints[model.getJointId(joint)].idx_q for joint in robot.joints]
    q = pinocchio.neutral(model)
    feet, centres = [], []
    for pose in poses:
        q[order] = np.ravel(pose)
        centres.append(pinocchio.centerOfMass(model, data, q).copy())
        pinocchio.updateFramePlacements(model, data)
        feet.append([data.oMf[frame].translation.copy() for frame in frames])
    expected_feet, expected_centres = places(robot, poses)
    assert pinocchio.computeTotalMass(model) == pytest.approx(robot.mass, rel=1e-12)
    np.testing.assert_allclose(feet, expected_feet, atol=1e-12, rtol=0)
    np.testing.assert_allclose(centres, expected_centres, atol=1e-12, rtol=0)


def test_mujoco_agrees_with_the_solver(
    robot: Robot, in_mujoco: mujoco.MjModel, poses: list[tuple[Vector, ...]]
) -> None:
    """Mass, centre of mass and feet are those of the solver to 1e-12 (MuJoCo)."""
    model = in_mujoco
    data = mujoco.MjData(model)
    bodies = [model.body(f'{leg.name}_foot').id for leg in robot.legs]
    base = model.body('base_link').id
    order = [model.joint(joint).qposadr[0] for joint in robot.joints]
    feet, centres = [], []
    for pose in poses:
        data.qpos[order] = np.ravel(pose)
        mujoco.mj_kinematics(model, data)
        mujoco.mj_comPos(model, data)
        feet.append(data.xpos[bodies])
        centres.append(data.subtree_com[base].copy())
    expected_feet, expected_centres = places(robot, poses)
    assert model.body_subtreemass[base] == pytest.approx(robot.mass, rel=1e-12)
    np.testing.assert_allclose(feet, expected_feet, atol=1e-12, rtol=0)
    np.testing.assert_allclose(centres, expected_centres, atol=1e-12, rtol=0)


def test_limits_are_those_of_joint_and_servo(robot: Robot, in_pinocchio: pinocchio.Model) -> None:
    """Angles, effort and velocity of every joint are bounded as described (Pinocchio)."""
    model = in_pinocchio
    for leg in robot.legs:
        for name, link in zip(leg.joints, leg.links, strict=True):
            joint = model.joints[model.getJointId(name)]
            assert model.lowerPositionLimit[joint.idx_q] == link.lower
            assert model.upperPositionLimit[joint.idx_q] == link.upper
            assert model.upperEffortLimit[joint.idx_v] == link.servo.stall_torque
            assert model.upperVelocityLimit[joint.idx_v] == link.servo.speed


def test_inertias_are_those_of_uniform_box_and_capsules(
    robot: Robot, in_pinocchio: pinocchio.Model
) -> None:
    """Body and links have the inertia that MuJoCo finds for a uniform box and capsules."""
    inertias = [in_pinocchio.inertias[in_pinocchio.getJointId('root_joint')].inertia]
    solids = [('box', robot.body.mass, [side / 2.0 for side in robot.body.size], '1 0 0 0')]
    for leg in robot.legs:
        for joint, link in zip(leg.joints, leg.links, strict=True):
            inertias.append(in_pinocchio.inertias[in_pinocchio.getJointId(joint)].inertia)
            # Turned by a quarter about y, from z, where MuJoCo's capsules stand, to x.
            size = [link.radius, link.length / 2.0]
            solids.append(('capsule', link.mass, size, '1 0 1 0'))
    bodies = ''.join(
        f'<body><joint/><geom type="{shape}" mass="{mass!r}" quat="{turn}" '
        f'size="{" ".join(map(repr, size))}"/></body>'
        for shape, mass, size, turn in solids
    )
    reference = mujoco.MjModel.from_xml_string(f'<mujoco><worldbody>{bodies}</worldbody></mujoco>')
    for index, found in enumerate(inertias, start=1):
        turn = np.zeros(9)
        mujoco.mju_quat2Mat(turn, reference.body_iquat[index])
        axes = turn.reshape(3, 3)
        expected = axes @ np.diag(reference.body_inertia[index]) @ axes.T
        np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-15)


def test_the_root_has_no_inertia(robot: Robot) -> None:
    """KDL takes no root with inertia: kdl_parser, `treeFromUrdfModel` (from memory)."""
    root = ET.fromstring(urdf(robot))
    children = {child.get('link') for child in root.iterfind('joint/child')}
    (base,) = [link for link in root.iter('link') if link.get('name') not in children]
    assert base.get('name') == 'base_link'
    assert not list(base)


def test_the_imu_is_where_it_is_fastened(robot: Robot) -> None:
    """A fixed frame, its axes turned as REP 103 says: about fixed axes (Pinocchio).

    The name of the frame is common practice, no source.
    """
    mount = Mount((0.02, -0.01, 0.03), (0.1, -0.2, 1.3))
    model = pinocchio.buildModelFromXML(urdf(replace(robot, imu=mount)))
    data = model.createData()
    pinocchio.framesForwardKinematics(model, data, pinocchio.neutral(model))
    base, imu = (data.oMf[model.getFrameId(name)] for name in ('base_link', 'imu_link'))
    found = base.actInv(imu)
    np.testing.assert_allclose(found.translation, mount.position, atol=1e-12)
    np.testing.assert_allclose(
        found.rotation, pinocchio.rpy.rpyToMatrix(np.array(mount.rpy)), atol=1e-12
    )
    assert not pinocchio.buildModelFromXML(urdf(robot)).existFrame('imu_link')


def test_inertias_could_be_those_of_a_real_body(
    robot: Robot, in_pinocchio: pinocchio.Model
) -> None:
    """Every inertia is positive definite and keeps the triangle inequality."""
    moving = list(in_pinocchio.inertias)[1:]
    assert len(moving) == 1 + 3 * len(robot.legs)
    for inertia in moving:
        moments = np.linalg.eigvalsh(inertia.inertia)
        assert moments[0] > 0.0
        assert moments[0] + moments[1] > moments[2]


def test_shapes_to_bump_into_enclose_the_links(robot: Robot, in_mujoco: mujoco.MjModel) -> None:
    """The body is a box; a link is a cylinder and two balls from joint to joint (MuJoCo)."""
    model = in_mujoco
    (box,) = np.flatnonzero(model.geom_bodyid == model.body('body').id)
    assert model.geom_type[box] == mujoco.mjtGeom.mjGEOM_BOX
    np.testing.assert_allclose(2.0 * model.geom_size[box], robot.body.size)
    for leg in robot.legs:
        for joint, link in zip(leg.joints, leg.links, strict=True):
            own = np.flatnonzero(model.geom_bodyid == model.body(f'{joint}_link').id)
            cylinder, inner, outer = own
            assert list(model.geom_type[own]) == [
                mujoco.mjtGeom.mjGEOM_CYLINDER,
                mujoco.mjtGeom.mjGEOM_SPHERE,
                mujoco.mjtGeom.mjGEOM_SPHERE,
            ]
            np.testing.assert_allclose(model.geom_size[own, 0], link.radius)
            assert 2.0 * model.geom_size[cylinder, 1] == pytest.approx(link.length)
            turn = np.zeros(9)
            mujoco.mju_quat2Mat(turn, model.geom_quat[cylinder])
            np.testing.assert_allclose(turn.reshape(3, 3)[:, 2], (1.0, 0.0, 0.0), atol=1e-12)
            np.testing.assert_allclose(model.geom_pos[cylinder], (link.length / 2.0, 0.0, 0.0))
            np.testing.assert_allclose(model.geom_pos[inner], (0.0, 0.0, 0.0))
            np.testing.assert_allclose(model.geom_pos[outer], (link.length, 0.0, 0.0))


def test_what_is_seen_is_what_is_bumped_into(robot: Robot) -> None:
    """Every collision shape is visible too (Pinocchio)."""
    model = pinocchio.buildModelFromXML(urdf(robot))
    seen, bumped = (
        [
            (shape.parentFrame, type(shape.geometry), shape.placement)
            for shape in pinocchio.buildGeomFromUrdfString(model, urdf(robot), kind).geometryObjects
        ]
        for kind in (pinocchio.GeometryType.VISUAL, pinocchio.GeometryType.COLLISION)
    )
    assert len(seen) == 1 + 9 * len(robot.legs)
    assert seen == bumped


def test_command_prints_the_urdf() -> None:
    """`urdf` prints the whole text and nothing else."""
    run = CliRunner().invoke(command, [str(BRACKEN)])
    assert (run.exit_code, run.output) == (0, urdf(six_legs()))


def test_command_names_what_is_wrong_in_the_file(edited: Callable[[str, str], Path]) -> None:
    """A wrong description ends the command with status 2, file, line and place."""
    file = edited('radius: 16 mm', 'radius: 0 mm')
    run = CliRunner().invoke(command, [str(file)])
    line = file.read_text(encoding='utf-8').split('radius: 0 mm')[0].count('\n') + 1
    assert run.exit_code == 2
    assert run.stderr.startswith(f'Error: {file}:{line}: links.coxa.radius: ')
