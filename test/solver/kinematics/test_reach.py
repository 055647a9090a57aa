# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Reach of a leg against brute force over its joint angles, and against bodies known by hand."""

from dataclasses import replace
from math import dist, inf, nan, pi
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial import KDTree

from leg_kinematics.errors import CommandError, MapRangeError, ReachError
from leg_kinematics.robot import Mount, Vector, load_robot
from leg_kinematics.solver import (
    LegGeometry,
    LegReach,
    LegSolver,
    MountTransform,
    forward_batch,
    leg_solvers,
    solve_batch,
)

BRACKEN = Path(__file__).parents[3] / 'config' / 'robots' / 'bracken.yaml'
TILTED = MountTransform.of(Mount((0.1, -0.05, 0.02), (0.3, -0.2, 2.0)))

Floats = NDArray[np.float64]


def leg_with(*ranges: tuple[float, float], geometry: LegGeometry | None = None) -> LegSolver:
    """Hang a leg of bracken's lengths, with other limits, on a tilted mount."""
    coxa, femur, tibia = ranges
    return LegSolver(
        'leg',
        ('leg_coxa', 'leg_femur', 'leg_tibia'),
        geometry or LegGeometry(0.032, 0.068, 0.104),
        TILTED,
        (coxa, femur, tibia),
        ((-inf, inf), (-inf, inf), (-inf, inf)),
    )


def bracken_leg() -> LegSolver:
    """Solve the left front leg of bracken as it is described."""
    return leg_solvers(load_robot(BRACKEN))[0]


def bracken_leg_with_maps() -> LegSolver:
    """Solve that leg with servo maps that forbid more than its limits do."""
    robot = load_robot(BRACKEN)
    maps = dict.fromkeys(robot.joints, (-inf, inf))
    maps |= {
        'left_front_coxa': (-0.5, 0.9),
        'left_front_femur': (-0.4, 1.1),
        'left_front_tibia': (-2.1, -0.6),
    }
    return leg_solvers(robot, maps)[0]


LEGS = {
    'bracken': bracken_leg(),
    'bracken with servo maps': bracken_leg_with_maps(),
    'wide sector': leg_with((-2.6, 3.0), (-1.0, 1.5), (-2.4, -0.3)),
    'full turn': leg_with((-pi, pi), (-1.0, 1.5), (-2.4, -0.3)),
    'behind its axis': leg_with((-1.2, 0.4), (0.8, 3.0), (-2.9, 0.0)),
    'no limits': leg_with((-4.0, 4.0), (-4.0, 4.0), (-4.0, 4.0)),
    'equal links': leg_with(
        (-1.0, 2.0), (-1.5, 1.5), (-pi, 0.0), geometry=LegGeometry(0.03, 0.08, 0.08)
    ),
    'long coxa': leg_with(
        (-1.0, 1.0), (-1.5, 1.5), (-2.5, 1.0), geometry=LegGeometry(0.2, 0.06, 0.09)
    ),
}


@pytest.fixture(scope='module', params=list(LEGS))
def reach(request: pytest.FixtureRequest) -> LegReach:
    """Give the reach of each kind of leg."""
    return LegReach(LEGS[request.param])


def span(leg: LegSolver) -> float:
    """Length of the stretched leg, m."""
    return leg.geometry.coxa + leg.geometry.femur + leg.geometry.tibia


def targets(leg: LegSolver, count: int, seed: int) -> Floats:
    """Draw points all around a leg, some far beyond its reach, in `base_link`."""
    rng = np.random.default_rng(seed)
    return rng.uniform(-1.4, 1.4, (count, 3)) * span(leg) + leg.mount.position


def to_body(leg: LegSolver, local: Floats) -> Floats:
    """Express points of the mount frame in `base_link`."""
    feet: Floats = np.einsum('ij,nj->ni', np.array(leg.mount.rotation), local)
    return feet + leg.mount.position


def vector(row: Floats) -> Vector:
    """Turn a row into plain floats."""
    x, y, z = row.tolist()
    return (x, y, z)


class BruteForce:
    """Feet of a grid of joint angles, and the nearest one refined by a bounded search."""

    def __init__(self, reach: LegReach) -> None:
        """Place the feet, and keep those in front of the coxa axis."""
        self.leg = reach.leg
        self.low, self.high = np.array(reach.ranges).T
        axes = [np.linspace(*bounds, 60) for bounds in reach.ranges]
        angles = np.stack(np.meshgrid(*axes, indexing='ij'), axis=-1).reshape(-1, 3)
        in_front = self._radius(angles) >= 0.0
        self.angles = angles[in_front]
        self.tree = KDTree(to_body(self.leg, forward_batch(self.leg.geometry, self.angles)))

    def _radius(self, angles: Floats) -> Floats:
        geometry, pitch = self.leg.geometry, angles[:, 1] + angles[:, 2]
        radius: Floats = (
            geometry.coxa + geometry.femur * np.cos(angles[:, 1]) + geometry.tibia * np.cos(pitch)
        )
        return radius

    def coarse(self, point: Floats) -> float:
        """Distance of a point from the nearest foot of the grid, m."""
        return float(self.tree.query(point)[0])

    def refined(self, point: Floats) -> float:
        """Distance after a search from each of the few nearest feet of the grid, m."""

        def miss(q: Floats) -> Floats:
            foot: Floats = to_body(self.leg, forward_batch(self.leg.geometry, q[np.newaxis]))[0]
            return foot - point

        best = inf
        for start in self.tree.query(point, k=3)[1]:
            q = np.clip(self.angles[start], self.low + 1e-9, self.high - 1e-9)
            found = least_squares(
                miss, q, bounds=(self.low, self.high), xtol=1e-14, ftol=1e-14, gtol=1e-14
            )
            if self._radius(found.x[np.newaxis])[0] >= -1e-9:
                best = min(best, float(np.linalg.norm(found.fun)))
        return best


@pytest.fixture(scope='module')
def brute(reach: LegReach) -> BruteForce:
    """Search the same leg without our geometry."""
    return BruteForce(reach)


def test_no_foot_of_a_grid_of_angles_is_nearer(reach: LegReach, brute: BruteForce) -> None:
    """No foot of up to 216 000 joint angles is nearer to a target than the nearest point.

    Nor is the nearest of them much farther: the grid is finer than a sixteenth of the leg.
    """
    for target in targets(reach.leg, 400, seed=1):
        found = dist(reach.nearest(vector(target)), target)
        assert found - 1e-12 <= brute.coarse(target) <= found + span(reach.leg) / 16.0


def test_a_bounded_search_finds_the_same_distance(reach: LegReach, brute: BruteForce) -> None:
    """Least squares over the joint angles, from the best of the grid, ends at that distance.

    Outside source: scipy's trust-region search. It may end a little early, never nearer, except
    where the patch is cut at the coxa axis, which its bounds do not know.
    """
    outside = [p for p in targets(reach.leg, 25, seed=2) if reach.margin(vector(p)) < 0.0]
    assert outside
    for target in outside:
        found = dist(reach.nearest(vector(target)), target)
        searched = min(brute.refined(target), brute.coarse(target))
        assert searched >= found - 1e-9
        nearest = reach.nearest(vector(target))
        x, y, _ = reach.leg.mount.to_mount(nearest)
        if np.hypot(x, y) > 1e-9:
            assert searched <= found + 1e-6


def test_the_nearest_point_can_be_taken(reach: LegReach) -> None:
    """Whatever the target, the solver accepts the nearest point: clamping cannot fail."""
    low, high = reach.ranges[0]
    free_coxa = min(max(0.0, low), high)
    for target in targets(reach.leg, 2000, seed=3):
        reach.leg.angles(reach.nearest(vector(target)), free_coxa=free_coxa)


def test_a_foot_that_can_be_taken_stays_where_it_is(reach: LegReach) -> None:
    """Inside, the nearest point is the foot itself."""
    feet = targets(reach.leg, 3000, seed=4)
    inside = feet[solve_batch(reach.leg, feet).reached]
    assert len(inside) > 30
    for foot in inside:
        assert reach.nearest(vector(foot)) == vector(foot)
        assert reach.margin(vector(foot)) >= 0.0


def test_every_foot_within_the_margin_can_be_taken(reach: LegReach) -> None:
    """A ball of the margin's radius is inside, and touches the edge: found by brute force."""
    rng = np.random.default_rng(5)
    directions = rng.normal(size=(20_000, 3))
    directions /= np.linalg.norm(directions, axis=1)[:, np.newaxis]
    feet = targets(reach.leg, 3000, seed=6)
    inside = feet[solve_batch(reach.leg, feet).reached][:30]
    for foot in inside:
        margin = reach.margin(vector(foot))
        assert solve_batch(reach.leg, foot + (1.0 - 1e-9) * margin * directions).reached.all()
        beyond = foot + (margin + 0.01 * span(reach.leg)) * directions
        assert not solve_batch(reach.leg, beyond).reached.all()


@given(st.tuples(*3 * [st.floats(-0.3, 0.3)]), st.tuples(*3 * [st.floats(-0.01, 0.01)]))
def test_margin_changes_no_faster_than_the_foot(
    reach: LegReach, foot: Vector, step: Vector
) -> None:
    """A millimetre of the foot is a millimetre of margin at most, across the edge too."""
    moved = (foot[0] + step[0], foot[1] + step[1], foot[2] + step[2])
    change = reach.margin(moved) - reach.margin(foot)
    assert abs(change) <= dist(moved, foot) + 1e-9


def test_volume_is_the_share_of_random_points(reach: LegReach) -> None:
    """A million points at random in a box: the share reached is the volume, to four sigma."""
    rng = np.random.default_rng(8)
    side = 2.0 * span(reach.leg)
    points = rng.uniform(-0.5, 0.5, (1_000_000, 3)) * side + reach.leg.mount.position
    share = solve_batch(reach.leg, points).reached.mean()
    sigma = np.sqrt(share * (1.0 - share) / len(points))
    assert abs(reach.volume / side**3 - share) <= 4.0 * sigma


def test_volume_without_limits_and_coxa_is_a_hollow_ball() -> None:
    """Femur 60, tibia 100 mm about one point: 4/3 pi (160³ - 40³) mm³ (by hand)."""
    turn = (-pi, pi)
    reach = LegReach(leg_with(turn, turn, turn, geometry=LegGeometry(0.0, 0.06, 0.10)))
    assert reach.volume == pytest.approx(4.0 / 3.0 * pi * (0.16**3 - 0.04**3), rel=1e-9)


def test_margins_of_a_hollow_ball_are_radial() -> None:
    """Without limits and coxa only the distance from the femur axis counts (by hand)."""
    turn = (-pi, pi)
    reach = LegReach(leg_with(turn, turn, turn, geometry=LegGeometry(0.0, 0.06, 0.10)))
    rng = np.random.default_rng(9)
    for local in rng.uniform(-0.2, 0.2, (500, 3)):
        radius = float(np.linalg.norm(local))
        margin = reach.margin(vector(to_body(reach.leg, local[np.newaxis])[0]))
        assert margin == pytest.approx(min(0.16 - radius, radius - 0.04), abs=1e-11)


def test_nearest_points_by_hand() -> None:
    """Straight ahead, above, and beside a leg whose coxa turns to 30 degrees."""
    level = MountTransform.of(Mount((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)))
    leg = replace(leg_with((-pi / 6, pi / 6), (-1.0, 1.0), (-2.0, -0.5)), mount=level)
    reach = LegReach(leg)
    # At the tibia's upper limit the foot is R from the femur axis (law of cosines).
    farthest = np.sqrt(0.068**2 + 0.104**2 + 2.0 * 0.068 * 0.104 * np.cos(0.5))
    assert reach.nearest((1.0, 0.0, 0.0)) == pytest.approx((0.032 + farthest, 0.0, 0.0), abs=1e-15)
    assert reach.margin((1.0, 0.0, 0.0)) == pytest.approx(farthest - 0.968, abs=1e-15)
    # A foot abreast, to the left of it: the foot of the perpendicular on the face at 30 degrees.
    x, y, z = reach.nearest((0.09, 0.17, 0.0))
    along = 0.09 * np.cos(pi / 6) + 0.17 * np.sin(pi / 6)
    assert (x, y) == pytest.approx((along * np.cos(pi / 6), along * np.sin(pi / 6)), abs=1e-15)
    assert z == 0.0


@pytest.mark.parametrize('value', [nan, inf, -inf])
def test_refuses_a_foot_that_is_not_finite(value: float) -> None:
    """There is no nearest point to nowhere; the leg is named."""
    with pytest.raises(CommandError, match=r'^left_front: a foot must be finite'):
        LegReach(LEGS['bracken']).nearest((0.1, value, 0.0))


def test_refuses_a_joint_without_an_angle() -> None:
    """Limits and servo map that exclude each other are named with all four bounds."""
    leg = replace(LEGS['bracken'], expressible=((-1.0, 1.0), (2.0, 2.5), (-3.0, 0.0)))
    message = (
        r'^left_front_femur has no angle to stand at: its limits are -1\.0472 to 1\.6581 rad, '
        r'its servo map expresses 2\.0000 to 2\.5000 rad'
    )
    with pytest.raises(MapRangeError, match=message):
        LegReach(leg)


@pytest.mark.parametrize(('femur', 'tibia'), [((-1.0, 1.0), (0.5, 1.0)), ((2.9, 3.1), (-0.1, 0.0))])
def test_refuses_a_leg_without_a_normal_branch(
    femur: tuple[float, float], tibia: tuple[float, float]
) -> None:
    """A knee that only bends down, and a leg that only reaches backwards, have no reach."""
    with pytest.raises(ReachError, match=r'^leg reaches no point'):
        LegReach(leg_with((-1.0, 1.0), femur, tibia))
