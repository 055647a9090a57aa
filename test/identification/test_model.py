# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Where feet and markers are by the unknowns: against rotations one after another, and by hand."""

from dataclasses import replace
from math import degrees, radians, sin, tan
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from leg_kinematics.calibration.foot_readings import LegStand
from leg_kinematics.identification.model import OF_JOINT, Floats, Model, rotated
from leg_kinematics.identification.tolerances import Tolerances
from leg_kinematics.robot import Leg, Mount, load_robot

if TYPE_CHECKING:
    from test.unknown_robot import Ground, UnknownRobot
else:
    from unknown_robot import Ground, UnknownRobot

BRACKEN = load_robot(Path(__file__).parents[2] / 'config/robots/bracken.yaml')


def true_values(model: Model, true: UnknownRobot, ground: Ground) -> Floats:
    """Return the unknowns of a robot, its servos replaced by their best polynomials."""
    values, _ = model.expected(Tolerances())
    for name, leg in true.legs.items():
        for joint, (low, high) in enumerate(leg.spans_us):
            at = np.linspace(-1.0, 1.0, 200)
            pulses = (low + high) / 2.0 + at * (high - low) / 2.0
            angles = [radians(leg.angle(joint, pulse)) for pulse in pulses.tolist()]
            own = model.place_of_joint(leg.leg.joints[joint])
            lag = radians(leg.servos[joint].hysteresis / 2.0)
            values[own] = [*np.polynomial.chebyshev.chebfit(at, angles, OF_JOINT - 2), lag]
        first = model.places[f'{name}.coxa']
        own_values = (
            leg.lengths,
            leg.position - leg.leg.mount.position,
            leg.turn.as_rotvec(),
            leg.marker,
        )
        values[first : first + 12] = np.concatenate(own_values)
    values[-6:-3] = ground.position + np.array((0.0, 0.0, model.height))
    values[-3:] = ground.turn.as_rotvec()
    return values


def model_of(true: UnknownRobot) -> Model:
    """Return the unknowns of a robot that saw markers, in placements 1 and 7."""
    return Model(
        legs=true.robot.legs,
        spans_us=true.spans_us,
        signs={
            joint: servo.sign
            for leg in true.legs.values()
            for joint, servo in zip(leg.leg.joints, leg.servos, strict=True)
        },
        height=true.robot.standing.height,
        placements=(1, 7),
        marker=(0.0, 0.0, 0.0),
    )


@pytest.mark.parametrize('seed', range(3))
def test_feet_and_markers_are_where_rotations_put_them(seed: int) -> None:
    """Servos are not polynomials, but within 0.02 degrees: less than 0.1 mm at the foot."""
    rng = np.random.default_rng(seed)
    true = UnknownRobot.draw(rng, BRACKEN)
    ground = Ground.draw(rng, BRACKEN.standing.height)
    model = model_of(true)
    values = true_values(model, true, ground)
    stands = [true.stand(rng, name, ground) for name in true.legs for _ in range(4)]
    columns = model.stands(stands)
    last = np.ones(len(stands), dtype=np.intp)
    for marker in (False, True):
        flags = np.full(len(stands), float(marker))
        seen, _ = model.on_ground(values, columns, last, flags)
        expected = [
            ground.seen(true.legs[each.leg].point(each.pulses_us, each.sides, marker=marker))
            for each in stands
        ]
        np.testing.assert_allclose(seen, expected, rtol=0.0, atol=1e-4)
    in_body, _ = model.feet(values, columns)
    points = [true.legs[each.leg].point(each.pulses_us, each.sides) for each in stands]
    np.testing.assert_allclose(in_body, points, rtol=0.0, atol=1e-4)


def test_derivatives_are_those_of_differences() -> None:
    """Central differences: their error is about 1e-9 of what is differentiated."""
    rng = np.random.default_rng(5)
    true = UnknownRobot.draw(rng, BRACKEN)
    ground = Ground.draw(rng, BRACKEN.standing.height)
    model = model_of(true)
    values = true_values(model, true, ground) + rng.normal(0.0, 1e-3, len(model))
    stands = model.stands([true.stand(rng, name, ground) for name in true.legs])
    places = np.array([0, 1, 0, 1, 0, 1])
    flags = np.array([0.0, 0.0, 1.0, 1.0, 0.0, 1.0])

    def on_ground(at: Floats) -> Floats:
        return model.on_ground(at, stands, places, flags)[0]

    _, compact = model.on_ground(values, stands, places, flags)
    derivatives = np.zeros((6, 3, len(model)))
    columns = model.columns(stands, places)
    np.put_along_axis(derivatives, columns[:, None, :], compact, axis=2)
    _, of_feet = model.feet(values, stands)
    step = 1e-6
    for place, shift in enumerate(step * np.eye(len(model))):
        numeric = (on_ground(values + shift) - on_ground(values - shift)) / (2.0 * step)
        name = model.names[place]
        np.testing.assert_allclose(derivatives[:, :, place], numeric, atol=1e-8, err_msg=name)
        numeric = model.feet(values + shift, stands)[0] - model.feet(values - shift, stands)[0]
        numeric /= 2.0 * step
        np.testing.assert_allclose(of_feet[:, :, place], numeric, atol=1e-8, err_msg=name)


@pytest.mark.parametrize('size', [0.0, 1e-9, 1e-3, 9.9e-3, 1.01e-2, 0.5, 3.0])
def test_points_are_turned_as_scipy_turns_them(size: float) -> None:
    """Small turns have a series of their own; it joins the closed form without a step."""
    rng = np.random.default_rng(3)
    turns, points = rng.normal(size=(2, 5, 3))
    turns *= size / np.linalg.norm(turns, axis=1, keepdims=True)
    turned, derivatives = rotated(turns, points)
    np.testing.assert_allclose(turned, Rotation.from_rotvec(turns).apply(points), atol=1e-15)
    for axis, shift in enumerate(1e-6 * np.eye(3)):
        ways = [Rotation.from_rotvec(turns + way * shift).apply(points) for way in (1.0, -1.0)]
        np.testing.assert_allclose(derivatives[:, :, axis], (ways[0] - ways[1]) / 2e-6, atol=1e-8)


def test_names_are_places() -> None:
    """Each unknown has a name of its own, and a joint has eight beside each other."""
    true = UnknownRobot.draw(np.random.default_rng(0), BRACKEN)
    model = model_of(true)
    assert len(model.names) == len(set(model.names)) == len(model)
    own = model.place_of_joint('left_rear_tibia')
    assert model.names[own] == tuple(
        f'left_rear_tibia.{part}' for part in ('c0', 'c1', 'c2', 'c3', 'c4', 'c5', 'c6', 'lag')
    )
    assert model.names[-1] == 'placement_7.turn_z'


def two_links(first: float, second: float) -> Model:
    """Return a leg that is an arm of two links in the plane x, z: no coxa, no turn of the mount."""
    leg = BRACKEN.legs[0]
    flat = Leg(
        name='arm',
        mount=Mount((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)),
        coxa=replace(leg.coxa, length=0.0),
        femur=replace(leg.femur, length=first),
        tibia=replace(leg.tibia, length=second),
    )
    spans = dict.fromkeys(flat.joints, (1000.0, 2000.0))
    return Model((flat,), spans, dict.fromkeys(flat.joints, 1), 0.0, (), marker=None)


def arm(model: Model, unknowns: Floats, angles: list[tuple[float, float]]) -> tuple[Floats, Floats]:
    """Place the tip of the arm in its plane.

    Its unknowns are two offsets of the angles, and both lengths. A joint turns by a degree a
    microsecond from 1500 µs.
    """
    values, _ = model.expected(Tolerances())
    for joint in model.legs[0].joints:
        own = model.place_of_joint(joint)
        values[own] = 0.0
        values[own.start + 1] = radians(500.0)
    names = ('arm_femur.c0', 'arm_tibia.c0', 'arm.femur', 'arm.tibia')
    places = [model.places[name] for name in names]
    values[places] = unknowns
    stands = [
        LegStand('arm', (1500.0, 1500.0 + femur, 1500.0 + tibia), (0, 0, 0))
        for femur, tibia in angles
    ]
    positions, derivatives = model.feet(values, model.stands(stands))
    return positions[:, ::2].ravel(), derivatives[:, ::2][:, :, places].reshape(-1, 4)


POSES = [(0.0, 30.0), (90.0, 90.0), (180.0, 150.0)]


def test_planar_arm_of_unit_links() -> None:
    """Singular values tan 72, 2 sin 72, 2 sin 36, tan 36 (degrees), and the inverse by hand.

    Computed by hand from the geometry of a planar arm of two links.
    """
    _, by_unknowns = arm(two_links(1.0, 1.0), np.array([0.0, 0.0, 1.0, 1.0]), POSES)
    found = np.linalg.svd(by_unknowns, compute_uv=False)
    ways = radians(72.0), radians(36.0)
    expected = [tan(ways[0]), 2.0 * sin(ways[0]), 2.0 * sin(ways[1]), tan(ways[1])]
    np.testing.assert_allclose(found, expected, rtol=1e-12)
    np.testing.assert_allclose(
        np.linalg.inv(by_unknowns.T @ by_unknowns),
        [
            [0.6, -0.6, 0.0, -0.4],
            [-0.6, 1.2, 0.4, 0.4],
            [0.0, 0.4, 0.6, 0.0],
            [-0.4, 0.4, 0.0, 0.6],
        ],
        atol=1e-12,
    )


def test_the_same_knee_in_every_pose_tells_two_things_only() -> None:
    """By hand: with one knee angle the distance of the tip is one number, its way another."""
    poses = [(0.0, 60.0), (90.0, 60.0), (180.0, 60.0)]
    _, by_unknowns = arm(two_links(1.0, 1.0), np.array([0.0, 0.0, 1.0, 1.0]), poses)
    assert np.linalg.matrix_rank(by_unknowns, tol=1e-9) == 2


def test_planar_arm_is_found_again() -> None:
    """Links of 0.10 and 0.15 m that are 0.102 and 0.149, joints that are off by 5 and -8 degrees.

    The points and the standard deviations at 0.5 mm were computed independently, from the geometry
    of a planar arm and the inverse of its normal matrix.
    """
    model = two_links(0.10, 0.15)
    seen = np.array(
        [0.234371831, 0.076534470, -0.157685686, 0.109409917, 0.023350055, -0.090041102]
    )
    unknowns = np.array([0.0, 0.0, 0.10, 0.15])
    _, by_unknowns = arm(model, unknowns, POSES)
    spread = 0.5e-3 * np.sqrt(np.diag(np.linalg.inv(by_unknowns.T @ by_unknowns)))
    np.testing.assert_allclose(np.degrees(spread[:2]), [0.221906, 0.266697], atol=1e-6)
    np.testing.assert_allclose(1e3 * spread[2:], [0.387298, 0.387298], atol=1e-6)
    for _ in range(20):
        expected, by_unknowns = arm(model, unknowns, POSES)
        unknowns += np.linalg.lstsq(by_unknowns, seen - expected, rcond=None)[0]
    assert degrees(unknowns[0]) == pytest.approx(5.0, abs=1e-5)
    assert degrees(unknowns[1]) == pytest.approx(-8.0, abs=1e-5)
    np.testing.assert_allclose(unknowns[2:], [0.102, 0.149], atol=1e-8)
