# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The robot as URDF, for viewers, planners and simulators.

Joints carry the names of the description, such as ``left_front_coxa``. The link that a joint
moves is named after it, ``left_front_coxa_link``; its frame lies in the joint axis with +x along
the link. The empty link ``left_front_foot`` is the foot.

The root is ``base_link``, which has the frame and nothing else: libraries built on KDL take no root
with inertia. The trunk is the link ``body``, fastened to it, and so is ``imu_link`` where the
description has an IMU. ``base_footprint`` is no link, since no joint of the robot leads to it: only
whoever walks the robot knows how the body stands over the ground, and tells it on ``/tf``.

The description knows mass and centre of mass of each part, but not how the mass is spread. The
trunk is taken for a box around the origin of ``base_link`` and a link for a capsule from its joint
axis to the next one; about its centre of mass each has the moments of inertia that such a body
has when it is uniform. The tibia's capsule ends in a ball around the foot, which therefore meets
level ground one radius below the foot, however the leg stands.
"""

from math import pi
from xml.etree.ElementTree import Element, SubElement, indent, tostring

from leg_kinematics.robot.description import Leg, Link, Mount, Robot, Vector

# Of coxa, femur and tibia in the frame of their link.
AXES: tuple[Vector, Vector, Vector] = ((0.0, 0.0, 1.0), (0.0, -1.0, 0.0), (0.0, -1.0, 0.0))

ZERO: Vector = (0.0, 0.0, 0.0)

# A URDF cylinder stands along z; this turns it along x.
ALONG_X: Vector = (0.0, pi / 2.0, 0.0)


def urdf(robot: Robot) -> str:
    """Write the URDF of a robot.

    Parameters
    ----------
    robot
        The description.

    Returns
    -------
    str
        The XML text, in SI, every number to the last digit. Effort and velocity of a joint are
        the stall torque and the no-load speed of its servo.

    """
    root = Element('robot', name=robot.name)
    body = robot.body
    SubElement(root, 'link', name='base_link')
    trunk = _fasten(root, 'body', Mount(ZERO, ZERO))
    x2, y2, z2 = (side * side for side in body.size)
    twelfth = body.mass / 12.0
    moments = (twelfth * (y2 + z2), twelfth * (z2 + x2), twelfth * (x2 + y2))
    _add_inertial(trunk, body.mass, body.centre_of_mass, moments)
    _add_shape(trunk, ZERO, ZERO, 'box', size=_row(body.size))
    if robot.imu is not None:
        _fasten(root, 'imu_link', robot.imu)
    for leg in robot.legs:
        _add_leg(root, leg)
    indent(root)
    return f'<?xml version="1.0"?>\n{tostring(root, encoding="unicode")}\n'


def _fasten(root: Element, name: str, mount: Mount) -> Element:
    """Add a link that does not move in ``base_link``."""
    joint = f'{name.removesuffix("_link")}_joint'
    place, turn = mount.position, mount.rpy
    _add_joint(root, joint, 'fixed', parent='base_link', child=name, place=place, turn=turn)
    return SubElement(root, 'link', name=name)


def _add_leg(root: Element, leg: Leg) -> None:
    parent, place, turn = 'base_link', leg.mount.position, leg.mount.rpy
    for name, link, axis in zip(leg.joints, leg.links, AXES, strict=True):
        child = f'{name}_link'
        joint = _add_joint(
            root, name, 'revolute', parent=parent, child=child, place=place, turn=turn
        )
        SubElement(joint, 'axis', xyz=_row(axis))
        SubElement(
            joint,
            'limit',
            lower=repr(link.lower),
            upper=repr(link.upper),
            effort=repr(link.servo.stall_torque),
            velocity=repr(link.servo.speed),
        )
        _add_link(root, child, link)
        parent, place, turn = child, (link.length, 0.0, 0.0), ZERO
    foot = f'{leg.name}_foot'
    SubElement(root, 'link', name=foot)
    _add_joint(root, f'{foot}_joint', 'fixed', parent=parent, child=foot, place=place, turn=turn)


def _add_joint(
    root: Element, name: str, kind: str, *, parent: str, child: str, place: Vector, turn: Vector
) -> Element:
    joint = SubElement(root, 'joint', name=name, type=kind)
    SubElement(joint, 'origin', xyz=_row(place), rpy=_row(turn))
    SubElement(joint, 'parent', link=parent)
    SubElement(joint, 'child', link=child)
    return joint


def _add_link(root: Element, name: str, link: Link) -> None:
    element = SubElement(root, 'link', name=name)
    centre = (link.centre_of_mass, 0.0, 0.0)
    _add_inertial(element, link.mass, centre, _capsule_moments(link))
    # URDF has no capsule: a cylinder with a ball at either end is one.
    radius, length = repr(link.radius), repr(link.length)
    middle, end = (link.length / 2.0, 0.0, 0.0), (link.length, 0.0, 0.0)
    _add_shape(element, middle, ALONG_X, 'cylinder', radius=radius, length=length)
    _add_shape(element, ZERO, ZERO, 'sphere', radius=radius)
    _add_shape(element, end, ZERO, 'sphere', radius=radius)


def _capsule_moments(link: Link) -> Vector:
    """Principal moments of a uniform capsule along x about its centre, kg·m².

    The sum over its cylinder and two half balls, whose centres of mass lie 3/8 of the radius
    beyond the ends of the cylinder (textbook formulas, from memory).
    """
    length, radius = link.length, link.radius
    balls = link.mass * 4.0 * radius / (4.0 * radius + 3.0 * length)
    cylinder = link.mass - balls
    square = radius * radius
    along = cylinder * square / 2.0 + balls * square * 0.4
    across = cylinder * (length * length / 12.0 + square / 4.0) + balls * (
        square * 0.4 + length * length / 4.0 + length * radius * 0.375
    )
    return (along, across, across)


def _add_inertial(link: Element, mass: float, centre: Vector, moments: Vector) -> None:
    inertial = SubElement(link, 'inertial')
    SubElement(inertial, 'origin', xyz=_row(centre), rpy=_row(ZERO))
    SubElement(inertial, 'mass', value=repr(mass))
    ixx, iyy, izz = map(repr, moments)
    SubElement(inertial, 'inertia', ixx=ixx, ixy='0', ixz='0', iyy=iyy, iyz='0', izz=izz)


def _add_shape(link: Element, place: Vector, turn: Vector, shape: str, **size: str) -> None:
    """Add a primitive both to see and to bump into."""
    for purpose in ('visual', 'collision'):
        element = SubElement(link, purpose)
        SubElement(element, 'origin', xyz=_row(place), rpy=_row(turn))
        SubElement(SubElement(element, 'geometry'), shape, size)


def _row(values: Vector) -> str:
    return ' '.join(map(repr, values))
