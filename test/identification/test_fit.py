# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The fit of one leg and of six: by hand, against another optimiser, and with typing errors."""

from dataclasses import replace
from math import degrees, radians, sqrt
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from leg_kinematics.calibration.foot_readings import FootOnGround, LegStand
from leg_kinematics.calibration.measured import Reading
from leg_kinematics.errors import CalibrationError
from leg_kinematics.identification.evidence import Evidence, FootSeen
from leg_kinematics.identification.fit import Identified, identify
from leg_kinematics.identification.model import Floats
from leg_kinematics.identification.tolerances import Tolerances
from leg_kinematics.robot import Leg, Robot, load_robot

if TYPE_CHECKING:
    from test.robot_campaign import Measured, by_ground, by_ruler
    from test.unknown_robot import Measurer, aligned
else:
    from robot_campaign import Measured, by_ground, by_ruler
    from unknown_robot import Measurer, aligned

BRACKEN = load_robot(Path(__file__).parents[2] / 'config/robots/bracken.yaml')
ONE_LEG = BRACKEN.part(['left_front'])


def measured(robot: Robot = ONE_LEG, points: int = 8, seed: int = 1) -> Measured:
    """Measure a robot by ruler, without typing errors."""
    result = Measured.begin(robot, seed, Measurer())
    by_ruler(points)(result)
    return result


def fitted(robot: Measured, tolerances: Tolerances | None = None) -> Identified:
    """Fit what was measured."""
    true = robot.true
    return identify(true.robot, true.spans_us, robot.evidence, tolerances or Tolerances())


# ---- by hand


def test_two_points_by_hand() -> None:
    """At 1200 µs -30.5 degrees, at 1800 µs 29.5: 10 µs a degree, and 0 at 1505 µs (by hand)."""
    readings = tuple(
        Reading(pulse, radians(angle), approached)
        for approached in ('up', 'down')
        for pulse, angle in ((1200.0, -30.5), (1800.0, 29.5))
    )
    leg = ONE_LEG.legs[0]
    spans = dict.fromkeys(leg.joints, (1200.0, 1800.0))
    fit = identify(ONE_LEG, spans, Evidence(dict.fromkeys(leg.joints, readings)))
    for joint in fit.joints.values():
        assert degrees(joint.angle(1505.0)) == pytest.approx(0.0, abs=1e-4)
        turned = degrees(joint.angle(1800.0) - joint.angle(1200.0))
        assert 600.0 / turned == pytest.approx(10.0, abs=1e-4)
        # After both approaches it was read to stand at the same angle: four readings of 0.5 degrees
        # say so, 0.3 ± 0.3 degrees were expected. Both weighted by hand.
        weights = 4.0 / 0.5**2, 1.0 / 0.3**2
        assert degrees(joint.lag.value) == pytest.approx(0.3 * weights[1] / sum(weights), abs=1e-6)
        spread = 1.0 / sqrt(sum(weights))
        assert degrees(joint.lag.standard_error) == pytest.approx(spread, abs=1e-6)
    assert fit.suspects == ()


def test_what_nothing_was_measured_of_stays_as_described() -> None:
    """No foot: lengths and mount are the described ones, as wide as the tolerances."""
    robot = measured(points=0)
    fit, tolerances = fitted(robot), Tolerances()
    leg = fit.legs['left_front']
    described = ONE_LEG.legs[0]
    assert [each.value for each in leg.lengths] == [link.length for link in described.links]
    np.testing.assert_allclose([each.value for each in leg.position], described.mount.position)
    np.testing.assert_allclose(leg.rpy, described.mount.rpy, atol=1e-12)
    assert leg.marker is None
    for known in leg.lengths:
        assert known.standard_error == pytest.approx(tolerances.length)
        assert known.half_width == pytest.approx(1.959964 * tolerances.length)
    assert fit.learned('left_front.femur') == pytest.approx(1.0)
    assert fit.measured == ()


# ---- against another optimiser


def chain(leg: Leg, unknowns: Floats, scaled: Floats, sides: Floats, signs: list[int]) -> Floats:
    """Place a foot on the ground by rotations one after another, from 39 unknowns."""
    joints = unknowns[:24].reshape(3, 8)
    coxa, femur, tibia = (
        np.polynomial.chebyshev.chebval(scaled[joint], joints[joint, :7])
        - signs[joint] * sides[joint] * joints[joint, 7]
        for joint in range(3)
    )
    lengths = unknowns[24:27]
    foot = np.array((lengths[2], 0.0, 0.0))
    foot = Rotation.from_euler('y', -tibia).apply(foot) + np.array((lengths[1], 0.0, 0.0))
    foot = Rotation.from_euler('y', -femur).apply(foot) + np.array((lengths[0], 0.0, 0.0))
    foot = Rotation.from_euler('z', coxa).apply(foot)
    mount = Rotation.from_euler('xyz', leg.mount.rpy) * Rotation.from_rotvec(unknowns[30:33])
    foot = mount.apply(foot) + leg.mount.position + unknowns[27:30]
    ground = unknowns[33:36] - (0.0, 0.0, ONE_LEG.standing.height)
    found: Floats = Rotation.from_rotvec(unknowns[36:39]).inv().apply(foot - ground)
    return found


@pytest.mark.parametrize('seed', [1, 2])
def test_another_optimiser_from_other_starts_ends_there_too(seed: int) -> None:
    """Written anew with rotations, differentiated by scipy, started far off; the same end.

    Trust-region reflective, as scipy has it, with derivatives by three points.
    """
    robot = measured(points=6, seed=seed)
    fit = fitted(robot)
    assert not fit.suspects
    leg, tolerances = ONE_LEG.legs[0], Tolerances()
    spans = np.array([fit.joints[joint].span_us for joint in leg.joints])
    signs = [fit.joints[joint].sign for joint in leg.joints]
    priors = [(0.0, 10.0)] * 2 + [(0.0, bend) for bend in tolerances.bend]
    priors = 3 * [*priors, (tolerances.lag, tolerances.lag_spread)]
    priors += [(link.length, 1.2e-3) for link in leg.links]
    priors += [(0.0, 0.6e-3)] * 3 + [(0.0, radians(1.2))] * 3
    priors += [(0.0, 20e-3)] * 3 + [(0.0, radians(3.0))] * 3
    means, spreads = np.array(priors).T

    def scaled(pulses: Floats) -> Floats:
        found: Floats = 2.0 * (pulses - spans[:, 0]) / (spans[:, 1] - spans[:, 0]) - 1.0
        return found

    def equations(unknowns: Floats) -> Floats:
        found = [(unknowns - means) / spreads]
        for place, joint in enumerate(leg.joints):
            own = unknowns[8 * place : 8 * place + 8]
            for reading in robot.readings[joint]:
                at = scaled(np.full(3, reading.pulse_us))[place]
                side = 1 if reading.approached == 'up' else -1
                angle = np.polynomial.chebyshev.chebval(at, own[:7]) - signs[place] * side * own[7]
                scatter = fit.scatter.readings * tolerances.protractor
                found.append(np.array([(reading.angle - angle) / scatter]))
        for foot in robot.feet:
            at = scaled(np.array(foot.stand.pulses_us))
            expected = chain(leg, unknowns, at, np.array(foot.stand.sides), signs)
            found.append((foot.position - expected) / (fit.scatter.feet * tolerances.ruler))
        return np.concatenate(found)

    rng = np.random.default_rng(seed)
    spread = np.sqrt(np.diag(fit.covariance))
    for _ in range(2):
        start = means + rng.normal(0.0, 1.0, len(means)) * np.minimum(spreads, 0.1)
        start[:24] = fit.values[:24] + rng.normal(0.0, 0.1, 24)
        other = least_squares(equations, start, jac='3-point', x_scale=spread, ftol=1e-14)
        assert np.abs((other.x - fit.values) / spread).max() < 1e-3
        covariance = np.linalg.inv(other.jac.T @ other.jac)
        np.testing.assert_allclose(np.sqrt(np.diag(covariance)), spread, rtol=1e-3)


def test_what_the_others_foretell_is_a_fit_without_it() -> None:
    """Left out one by one in earnest; scatters are kept at 1, so that both fits weigh alike."""
    robot = measured(BRACKEN.part(['left_front', 'right_rear']), points=6, seed=4)
    # A protractor and a ruler that are called poor scatter less than they are called.
    tolerances = Tolerances(protractor=radians(1.0))
    robot.feet = [
        replace(foot, covariance=((4e-7, 0.0, 0.0), (0.0, 4e-7, 1e-7), (0.0, 1e-7, 4e-7)))
        for foot in robot.feet
    ]
    fit = fitted(robot, tolerances)
    assert (fit.scatter.readings, fit.scatter.feet) == (1.0, 1.0)
    whole = robot.feet
    for place in (0, 5, 9):
        robot.feet = whole[:place] + whole[place + 1 :]
        without = fitted(robot, tolerances)
        expected, _ = without.expect(whole[place].stand, 1)
        np.testing.assert_allclose(
            np.array(whole[place].position) - expected, fit.left_out[place], atol=3e-5
        )


# ---- typing errors


def mistyped(robot: Measured, place: int, axis: int, by: float) -> None:
    """Change a coordinate that was typed."""
    position = list(robot.feet[place].position)
    position[axis] += by
    robot.feet[place] = replace(robot.feet[place], position=(position[0], position[1], position[2]))


def test_typing_errors_are_named_by_their_number() -> None:
    """Two of one foot, one of another, and an angle whose sign was lost."""
    robot = measured(BRACKEN, points=8, seed=3)
    honest = fitted(robot)
    mistyped(robot, 5, 0, 0.010)
    mistyped(robot, 5, 2, -0.009)
    mistyped(robot, 40, 1, 0.1)
    joint = 'right_middle_femur'
    readings = list(robot.readings[joint])
    readings[3] = replace(readings[3], angle=-readings[3].angle)
    robot.readings[joint] = tuple(readings)
    fit = fitted(robot)
    assert [(each.kind, each.name, each.place, each.coordinate) for each in fit.suspects] == [
        ('reading', joint, 3, 'angle'),
        ('foot', 'left_front', 5, 'x'),
        ('foot', 'left_front', 5, 'z'),
        ('foot', robot.feet[40].stand.leg, 40, 'y'),
    ]
    assert [each.off for each in fit.suspects[1:]] == pytest.approx([0.01, -0.009, 0.1], abs=1.5e-3)
    assert all(abs(each.off) > 4.0 * each.spread for each in fit.suspects)
    assert fit.suspects[1].given == robot.feet[5].position[0]
    # What is left out has no say: it is as if it had not been measured.
    stands = [foot.stand for foot in robot.feet]
    moved = [np.subtract(fit.foot(*one), honest.foot(*one)) for one in map(_of, stands)]
    assert np.abs(moved).max() < 1.5e-3


def _of(stand: LegStand) -> tuple[str, tuple[float, float, float]]:
    return (stand.leg, stand.pulses_us)


def test_x_and_y_that_were_exchanged_are_both_named() -> None:
    """Where they are apart."""
    robot = measured(points=10, seed=6)
    x, y, z = robot.feet[2].position
    assert abs(x - y) > 5e-3
    robot.feet[2] = replace(robot.feet[2], position=(y, x, z))
    found = [(each.place, each.coordinate) for each in fitted(robot).suspects]
    assert found == [(2, 'x'), (2, 'y')]


def test_a_touch_that_was_none_is_named() -> None:
    """Felt 5 mm above the ground."""
    robot = measured(BRACKEN, points=8, seed=7)
    by_ground(8)(robot)
    name = robot.touches[6].stand.leg
    high = robot.true.stand(robot.rng, name, robot.ground, (4.9e-3, 5.1e-3))
    robot.touches[6] = FootOnGround(high, 1)
    (suspect,) = fitted(robot).suspects
    assert (suspect.kind, suspect.name, suspect.place) == ('touch', name, 6)
    assert suspect.off == pytest.approx(-5e-3, abs=1.5e-3)


def test_many_wrong_numbers_are_no_typing_errors() -> None:
    """Every third coordinate is off: they scatter then, and intervals say so."""
    robot = measured(points=10, seed=1)
    for place in range(10):
        mistyped(robot, place, place % 3, 0.015 * (-1) ** place)
    fit = fitted(robot)
    assert all(each.kind == 'reading' for each in fit.suspects)
    assert fit.scatter.feet > 10.0


def test_feet_of_another_robot_scatter_widely() -> None:
    """None of them is mistyped; that they belong to no such robot is told by their scatter."""
    robot, other = measured(points=8, seed=1), measured(points=8, seed=2)
    robot.feet = [
        replace(foot, position=wrong.position)
        for foot, wrong in zip(robot.feet, other.feet, strict=True)
    ]
    fit = fitted(robot)
    assert not fit.suspects
    assert fit.scatter.feet > 50.0


def test_a_poor_ruler_widens_the_intervals() -> None:
    """Six times as poor as told; the scatter tells, and the spread of feet follows."""
    good = measured(BRACKEN, seed=5)
    poor = Measured.begin(BRACKEN, 5, Measurer(ruler=1.5e-3))
    by_ruler(8)(poor)
    fits = fitted(good), fitted(poor)
    assert fits[0].scatter.feet == pytest.approx(1.15, abs=0.15)
    assert fits[1].scatter.feet == pytest.approx(6.0, abs=1.0)
    assert not fits[1].suspects
    stands = [foot.stand for foot in good.feet]
    assert np.median(fits[1].foot_spread(stands)) > 2.0 * np.median(fits[0].foot_spread(stands))


# ---- what is measured otherwise


def test_the_ground_tells_heights() -> None:
    """Touches alone: heights become better, and how far out a foot is hardly."""
    robot = Measured.begin(BRACKEN, 8, Measurer())
    by_ground(10)(robot)
    fit = fitted(robot)
    stands = [touch.stand for touch in robot.touches]
    shares = fit.foot_spread(stands) / fit.prior_spread(stands)
    assert np.median(shares[:, 2]) < 0.3
    assert np.median(shares[:, :2]) > 0.4
    assert np.abs(fit.touch_residuals).max() < 1e-3


def see_markers(robot: Measured) -> None:
    """See the marker of a leg along rays: with covariances that are long one way."""
    leg, rng = robot.true.legs['left_front'], robot.rng
    for _ in range(25):
        stand = robot.true.stand(rng, 'left_front', robot.ground)
        true = robot.ground.seen(leg.point(stand.pulses_us, stand.sides, marker=True))
        ray = rng.normal(size=3)
        ray /= np.linalg.norm(ray)
        covariance = 0.05e-3**2 * np.eye(3) + 2e-3**2 * np.outer(ray, ray)
        x, y, z = rng.multivariate_normal(true, covariance).tolist()
        one, two, last = (tuple(row) for row in covariance.tolist())
        robot.feet.append(FootSeen(stand, 1, (x, y, z), (one, two, last), 'marker'))


def errors(robot: Measured, fit: Identified) -> Floats:
    """Return how far feet are from where the fit has them, after the best motion, m."""
    leg = robot.true.legs['left_front']
    truth = np.array([leg.point(foot.stand.pulses_us) for foot in robot.feet])
    feet = np.array([fit.foot(*_of(foot.stand)) for foot in robot.feet])
    off: Floats = np.linalg.norm(aligned(feet, truth) - truth, axis=1)
    return off


def test_markers_have_a_place_of_their_own() -> None:
    """The marker is not quite at the tip, and where it is is found."""
    robot = Measured.begin(ONE_LEG, 9, Measurer())
    leg = robot.true.legs['left_front']
    see_markers(robot)
    fit = fitted(robot)
    assert not fit.suspects
    marker = fit.legs['left_front'].marker
    assert marker is not None
    for known, value in zip(marker, leg.marker, strict=True):
        assert abs(known.value - value) < 3.0 * known.standard_error
    assert fit.scatter.markers == pytest.approx(1.0, abs=0.2)
    assert fit.scatter.feet == 1.0
    assert np.median(errors(robot, fit)) < 0.5e-3


def test_markers_that_are_far_from_the_tips() -> None:
    """20 mm up the tibia and 12 mm outwards: who tells it finds the feet, who does not is wrong."""
    robot = Measured.begin(ONE_LEG, 9, Measurer())
    leg = robot.true.legs['left_front']
    told = (-20e-3, 0.0, 12e-3)
    robot.true = replace(robot.true, legs={'left_front': replace(leg, marker=leg.marker + told)})
    see_markers(robot)
    wrong = fitted(robot)
    assert np.median(errors(robot, wrong)) > 3e-3
    robot.marker = told
    fit = fitted(robot)
    assert not fit.suspects
    assert np.median(errors(robot, fit)) < 0.5e-3
    marker = fit.legs['left_front'].marker
    assert marker is not None
    for known, value in zip(marker, leg.marker + told, strict=True):
        assert abs(known.value - value) < 3.0 * known.standard_error


def test_each_placement_has_a_ground_of_its_own() -> None:
    """The robot is put elsewhere half-way: 15 mm and 4 degrees are no error of anything."""
    robot = measured(BRACKEN, points=4, seed=10)
    first = robot.ground
    turn = Rotation.from_rotvec(np.radians((0.5, -0.5, 4.0)))
    robot.ground = replace(
        first, position=first.position + np.array((15e-3, -5e-3, 2e-3)), turn=turn * first.turn
    )
    before = len(robot.feet)
    by_ruler(4)(robot)
    assert fitted(robot).scatter.feet > 3.0
    robot.feet[before:] = [replace(foot, placement=2) for foot in robot.feet[before:]]
    fit = fitted(robot)
    assert not fit.suspects
    assert fit.scatter.feet < 1.4
    assert 'placement_2.turn_z' in fit.names


def test_an_unknown_approach_is_trusted_less() -> None:
    """With the sides of half a degree of slack unknown, positions count for less."""
    robot = measured(points=8, seed=11)
    stands = [foot.stand for foot in robot.feet]
    known = fitted(robot)
    robot.feet = [replace(foot, stand=replace(foot.stand, sides=(0, 0, 0))) for foot in robot.feet]
    unknown = fitted(robot)
    assert not unknown.suspects
    assert np.all(unknown.foot_spread(stands) > known.foot_spread(stands))


# ---- what it tells


def test_a_foot_is_foretold() -> None:
    """In a known placement nearly as well as a ruler reads it; in a new one the ground is open."""
    robot = measured(BRACKEN, points=8, seed=12)
    fit = fitted(robot)
    stand = robot.true.stand(robot.rng, 'right_front', robot.ground)
    true = robot.ground.seen(robot.true.legs['right_front'].point(stand.pulses_us, stand.sides))
    position, covariance = fit.expect(stand, 1)
    spread = np.sqrt(np.diag(covariance))
    assert np.all(np.abs(true - position) < 4.0 * spread)
    assert spread.max() < 2e-3
    _, covariance = fit.expect(stand, 2)
    assert 15e-3 < sqrt(covariance[0, 0]) < 35e-3
    # A foot that is far from the middle moves with the turn of the ground.
    assert sqrt(covariance[2, 2]) > 20e-3


def test_a_higher_block_is_expected_where_it_is_told() -> None:
    """A foot is expected as much higher above the ground as the robot is told to stand."""
    robot = measured(ONE_LEG, points=0, seed=12)
    stand = robot.true.stand(robot.rng, 'left_front', robot.ground)
    heights = []
    for above in (0.085, 0.135):
        fit = identify(ONE_LEG, robot.true.spans_us, Evidence(robot.readings), height=above)
        heights.append(fit.expect(stand, 1)[0][2])
    assert heights[1] - heights[0] == pytest.approx(0.050)


def test_spreads_do_not_count_where_base_link_is() -> None:
    """Grounds of any width move all feet together, and leave the spreads as they are."""
    robot = measured(BRACKEN, points=6, seed=13)
    stands = [foot.stand for foot in robot.feet]
    wide = Tolerances(mount_position=0.1, mount_angle=radians(10.0))
    spread = fitted(robot, wide).foot_spread(stands)
    assert np.median(spread) < 1e-3
    errors = np.sqrt(np.diag(fitted(robot, wide).covariance))
    place = fitted(robot, wide).names.index('left_front.mount_x')
    assert errors[place] > 10e-3


def test_the_order_of_what_was_measured_does_not_matter() -> None:
    """Backwards it is the same fit, with the same suspect under its new number."""
    robot = measured(BRACKEN, points=6, seed=16)
    mistyped(robot, 4, 1, 0.03)
    forwards = fitted(robot)
    robot.feet = robot.feet[::-1]
    backwards = fitted(robot)
    spread = np.sqrt(np.diag(forwards.covariance))
    assert np.abs((backwards.values - forwards.values) / spread).max() < 1e-3
    assert [each.place for each in forwards.suspects] == [4]
    assert [each.place for each in backwards.suspects] == [len(robot.feet) - 5]


def test_what_was_learned_is_less_than_before() -> None:
    """Every unknown of a leg is known as well as before, or better."""
    robot = measured(points=8, seed=14)
    fit = fitted(robot)
    shares = [fit.learned(name) for name in fit.names]
    assert max(shares) <= 1.0 + 1e-9
    assert min(shares) < 0.5
    assert fit.angle_spread('left_front_femur', 1500.0) < radians(0.4)


# ---- what cannot be fitted


def test_a_leg_without_spans_is_not_fitted() -> None:
    """Only whole legs are; a foot of another is an error that names the leg."""
    robot = measured(BRACKEN, points=2, seed=15)
    true = robot.true
    spans = {name: span for name, span in true.spans_us.items() if not name.startswith('left_rear')}
    feet = tuple(foot for foot in robot.feet if foot.stand.leg != 'left_rear')
    fit = identify(BRACKEN, spans, replace(robot.evidence, feet=feet))
    assert 'left_rear' not in fit.legs
    with pytest.raises(CalibrationError, match="leg 'left_rear' was measured"):
        identify(BRACKEN, spans, robot.evidence)


def test_a_joint_that_was_not_read_is_named() -> None:
    """Each joint needs angles, or nobody knows its direction."""
    robot = measured(points=4)
    del robot.readings['left_front_femur']
    with pytest.raises(CalibrationError, match=r'left_front_femur: .* tell no gain'):
        fitted(robot)


@pytest.mark.parametrize('bad', [0.0, -1e-6, float('nan')])
def test_a_covariance_that_cannot_be_is_refused(bad: float) -> None:
    """It names position and leg."""
    robot = measured(points=3)
    wrong = ((bad, 0.0, 0.0), (0.0, 1e-7, 0.0), (0.0, 0.0, 1e-7))
    robot.feet[1] = replace(robot.feet[1], covariance=wrong)
    with pytest.raises(CalibrationError, match='position 2, of the foot of left_front, has a cov'):
        fitted(robot)


def test_a_position_that_is_no_place_is_refused() -> None:
    """It names position and leg."""
    robot = measured(points=3)
    robot.feet[2] = replace(robot.feet[2], position=(0.1, float('nan'), 0.0))
    with pytest.raises(CalibrationError, match='position 3, of the foot of left_front, is no pl'):
        fitted(robot)


def test_no_leg_is_an_error() -> None:
    """Spans of two joints make none."""
    robot = measured(points=0)
    spans = dict(list(robot.true.spans_us.items())[:2])
    with pytest.raises(CalibrationError, match='no leg to identify'):
        identify(ONE_LEG, spans, robot.evidence)


@pytest.mark.parametrize('angle', [0.0, 3.0])
def test_a_joint_that_no_servo_turns_is_named(angle: float) -> None:
    """One that stays where it is, and one that turns by 6 rad over 100 µs."""
    robot = measured(points=0)
    readings = (Reading(1450.0, -angle, 'up'), Reading(1550.0, angle, 'up'))
    robot.readings['left_front_tibia'] = readings
    with pytest.raises(CalibrationError, match=r'left_front_tibia: over 100 µs it turned by'):
        fitted(robot)
