# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Steps are solved whole: straight, in time, within the servos' speed, and no foot is dragged."""

import re
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from math import acos, atan2, ceil, cos, degrees, dist, hypot, pi, sin, sqrt, tau
from random import Random

import pytest
from hypothesis import given, reject, settings
from hypothesis import strategies as st

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.gait import Offset
from leg_kinematics.moves.paths import StraightLines
from leg_kinematics.moves.places import Frame, LegFrames, Place
from leg_kinematics.moves.plan import Move, Planner, StepError
from leg_kinematics.moves.postures import THERE
from leg_kinematics.moves.resuming import plan_from
from leg_kinematics.moves.steps import (
    BodyStep,
    CircleStep,
    FeetStep,
    Haste,
    Posture,
    PostureStep,
    Step,
    WaitStep,
)
from leg_kinematics.robot import Leg, Link, Mount, Robot, Vector
from leg_kinematics.robot import Posture as FeetOf
from leg_kinematics.solver import LegSolver, forward, leg_solvers

STAND, LIE = PostureStep(Posture.STANDING), PostureStep(Posture.RESTING)

#: A leg in one plane, with links after the triangle 3, 4, 5: m.
COXA, FEMUR, TIBIA = 0.030, 0.060, 0.080

#: Where the foot is on the line before: out to where the femur and the tibia span 100 mm.
BEGIN, END = (COXA + 0.100, 0.0, 0.0), (COXA + 0.060, 0.0, -0.080)


@pytest.fixture(scope='session')
def bracken(calibrated: CalibratedRobot) -> Robot:
    """Return the description of bracken."""
    return calibrated.robot


@pytest.fixture(scope='session')
def one_leg(bracken: Robot) -> Robot:
    """Return a robot with one leg, which points forward from the origin."""
    links = [
        replace(link, length=length, lower=-pi, upper=pi)
        for link, length in zip(bracken.legs[0].links, (COXA, FEMUR, TIBIA), strict=True)
    ]
    leg = Leg('leg', Mount((0.0, 0.0, 0.0), (0.0, 0.0, 0.0)), *links)
    return replace(
        bracken, legs=(leg,), resting=FeetOf(0.0, (BEGIN,)), standing=FeetOf(0.08, (END,))
    )


def planner_of(robot: Robot, *, tolerance: float = 5e-4, speed: float = 3.0) -> Planner:
    """Plan for a robot whose joints all have the same highest speed, rad/s."""
    speeds = dict.fromkeys(robot.joints, speed)
    return Planner(robot, leg_solvers(robot), tolerance=tolerance, speeds=speeds)


def to(x: float, y: float, z: float, haste: Haste | None = None) -> FeetStep:
    """Send the foot of the one leg to a point of the body's frame, m."""
    return FeetStep({'leg': Place(Frame.BODY, x, y, z)}, haste or Haste())


def by_law_of_cosines(r: float, z: float) -> tuple[float, float]:
    """Femur and knee of a two-link arm whose elbow is up, rad.

    Spong, Hutchinson and Vidyasagar, Robot Modeling and Control, 1.4, and Craig, Introduction to
    Robotics, 4.4 (both from memory): cos q3 = (r^2 + z^2 - f^2 - t^2) / (2 f t), and the femur is
    above the line to the foot by the angle at its end of the triangle.
    """
    square = r * r + z * z
    knee = -acos((square - FEMUR * FEMUR - TIBIA * TIBIA) / (2.0 * FEMUR * TIBIA))
    lift = acos((FEMUR * FEMUR + square - TIBIA * TIBIA) / (2.0 * FEMUR * sqrt(square)))
    return atan2(z, r) + lift, knee


# ---- straight lines


def test_a_line_of_a_planar_leg_by_the_law_of_cosines(one_leg: Robot) -> None:
    """All along the line, with both ends and the middle by hand.

    At both ends femur, tibia and the way to the foot are the triangle 3, 4, 5, so that the knee
    stands at -90 degrees; the femur at atan(4/3) = 53.1301 and at 0 degrees. In the middle, at
    (80, -40) mm, cos q3 = (8000 - 3600 - 6400) / 9600, which is -102.0247 degrees; the femur is
    61.0215 above the line to the foot, which points down by 26.5651: 34.4564 degrees.
    """
    (leg,) = leg_solvers(one_leg)
    plan = planner_of(one_leg).plan([to(*END)], [BEGIN])
    for number in range(1, 100):
        ((x, y, z),) = plan.at(plan.duration * number / 100.0).feet
        # On the line 2 (r - 100) = z, in the plane of the leg.
        assert (y, z) == pytest.approx((0.0, 2.0 * (x - COXA - 0.100)), abs=1e-15)
        femur, knee = by_law_of_cosines(x - COXA, z)
        assert leg.angles((x, y, z)) == pytest.approx((0.0, femur, knee), abs=1e-12)
    by_hand = {0.0: (53.1301, -90.0), 0.5: (34.4564, -102.0247), 1.0: (0.0, -90.0)}
    for share, angles in by_hand.items():
        (foot,) = plan.at(plan.duration * share).feet
        assert [degrees(angle) for angle in leg.angles(foot)[1:]] == pytest.approx(angles, abs=1e-4)


def joints_between(leg: LegSolver, start: Vector, goal: Vector, pieces: int) -> list[Vector]:
    """Joint angles at equal times of a move by the minimum-jerk law, rad."""
    angles = []
    for number in range(pieces + 1):
        time = number / pieces
        share = time**3 * (10.0 - 15.0 * time + 6.0 * time**2)
        foot = [a + share * (b - a) for a, b in zip(start, goal, strict=True)]
        angles.append(leg.angles((foot[0], foot[1], foot[2])))
    return angles


def turned(angles: Vector, rates: Sequence[float], time: float) -> Vector:
    """Turn joints evenly for a time."""
    q1, q2, q3 = (angle + time * rate for angle, rate in zip(angles, rates, strict=True))
    return q1, q2, q3


def off_line(start: Vector, goal: Vector, foot: Sequence[float]) -> tuple[float, float, float]:
    """Offset of a point from a line, m."""
    way = [b - a for a, b in zip(start, goal, strict=True)]
    to_foot = [b - a for a, b in zip(start, foot, strict=True)]
    share = sum(a * b for a, b in zip(way, to_foot, strict=True)) / sum(a * a for a in way)
    x, y, z = (a - share * b for a, b in zip(to_foot, way, strict=True))
    return x, y, z


@pytest.mark.parametrize('tolerance', [1e-3, 1e-4, 1e-5])
@pytest.mark.parametrize(
    ('start', 'goal'),
    [(BEGIN, END), ((0.13, -0.05, -0.03), (0.12, 0.06, -0.02)), ((0.09, 0.0, 0.0), BEGIN)],
)
def test_as_many_sub_moves_as_linear_interpolation_needs(
    one_leg: Robot, start: Vector, goal: Vector, tolerance: float
) -> None:
    """Its error bound is h^2 / 8 max |f''|.

    Burden and Faires, Numerical Analysis, 3.1, Lagrange polynomials (from memory). Here f is the
    distance from the line of a foot whose joints turn evenly, so that f'' is what is left of the
    acceleration of the foot, by second differences of the forward kinematics.
    """
    (leg,) = leg_solvers(one_leg)
    # The largest f'', by 400 instants.
    fine = joints_between(leg, start, goal, 400)
    largest = 0.0
    for before, now, after in zip(fine, fine[1:], fine[2:], strict=False):
        rates = [200.0 * (b - a) for a, b in zip(before, after, strict=True)]
        step = 1e-3
        ends = [forward(leg.geometry, turned(now, rates, sign * step)) for sign in (-1.0, 0.0, 1.0)]
        bend = [(a - 2.0 * b + c) / step**2 for a, b, c in zip(*ends, strict=True)]
        start_moved = [a + b for a, b in zip(start, bend, strict=True)]
        largest = max(largest, hypot(*off_line(start, goal, start_moved)))
    needed = max(8, ceil(sqrt(largest / (8.0 * tolerance))))

    (move,) = planner_of(one_leg, tolerance=tolerance).plan([to(*goal)], [start]).moves
    assert move.sub_moves == pytest.approx(needed, abs=1)

    # With so many the foot is within tolerance, and with a lot fewer it would not be.
    def deviation(pieces: int) -> float:
        corners = joints_between(leg, start, goal, pieces)
        worst = 0.0
        for a, b in pairwise(corners):
            for share in (0.25, 0.5, 0.75):
                way = [q - p for p, q in zip(a, b, strict=True)]
                foot = forward(leg.geometry, turned(a, way, share))
                worst = max(worst, hypot(*off_line(start, goal, foot)))
        return worst

    assert deviation(move.sub_moves) <= tolerance
    if needed > 16:
        assert deviation(move.sub_moves // 2) > tolerance


# ---- time


def test_peak_speed_and_duration(one_leg: Robot) -> None:
    """The peak speed of a minimum-jerk move is 1.875 times its mean (Flash and Hogan 1985).

    40 mm at 60 mm/s so take 1.25 s; in 2 s they reach 37.5 mm/s. Half the way is made in half the
    time, at the peak.
    """
    near = (BEGIN[0] - 0.04, 0.0, 0.0)
    for haste, duration, peak in ((Haste(speed=0.06), 1.25, 0.06), (Haste(time=2.0), 2.0, 0.0375)):
        plan = planner_of(one_leg).plan([to(*near, haste)], [BEGIN])
        assert plan.duration == pytest.approx(duration)
        (foot,), (velocity,) = plan.at(duration / 2.0)
        assert foot == pytest.approx((BEGIN[0] - 0.02, 0.0, 0.0))
        assert velocity == pytest.approx((-peak, 0.0, 0.0))
        speeds = [hypot(*plan.at(duration * n / 1000).velocities[0]) for n in range(1001)]
        assert max(speeds) == pytest.approx(peak)


def test_the_fastest_of_several_feet_has_the_speed(planner: Planner, bracken: Robot) -> None:
    """The one with the longest way; all arrive together."""
    places = {
        'left_front': Place(Frame.RESTING, z=0.010),
        'right_rear': Place(Frame.RESTING, z=0.030),
    }
    plan = planner.plan([FeetStep(places, Haste(speed=0.05))], bracken.resting.feet)
    assert plan.duration == pytest.approx(1.875 * 0.030 / 0.05)
    velocities = plan.at(plan.duration / 2.0).velocities
    assert velocities[0] == pytest.approx((0.0, 0.0, 0.05 / 3.0))
    assert velocities[5] == pytest.approx((0.0, 0.0, 0.05))
    assert velocities[1] == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    'step',
    [
        to(*END, Haste(time=0.1)),
        CircleStep({'leg': Place(Frame.BODY, x=0.11, z=-0.01)}, pi, Haste(time=0.1)),
        BodyStep((0.03, None, 0.02, None, -0.1, None), Haste(time=0.1)),
    ],
    ids=['feet', 'circle', 'body'],
)
def test_a_move_takes_as_long_as_the_servos_need(one_leg: Robot, step: Step) -> None:
    """The fastest joint has its highest speed once, and none exceeds it; by differences."""
    (leg,) = leg_solvers(one_leg)
    limit = 1.5
    (move,) = (plan := planner_of(one_leg, speed=limit).plan([step], [BEGIN])).moves
    assert move.wanted == 0.1 < move.duration
    tick = move.duration / 5000.0
    angles = [leg.angles(plan.at(number * tick).feet[0]) for number in range(5001)]
    speeds = [
        abs(b - a) / tick
        for before, after in pairwise(angles)
        for a, b in zip(before, after, strict=True)
    ]
    assert max(speeds) == pytest.approx(limit, rel=2e-3)


# ---- one after another


def test_steps_follow_one_another(planner: Planner, bracken: Robot) -> None:
    """Each begins where the one before ends; what moves nothing is no move, but a wait is."""
    steps: list[Step] = [
        LIE,
        FeetStep({'all': Place(Frame.RESTING, z=0.0)}),
        WaitStep(0.5),
        STAND,
        BodyStep((None, None, -0.01, None, None, None)),
        STAND,
        LIE,
    ]
    plan = planner.plan(steps, bracken.resting.feet)
    assert [move.number for move in plan.moves] == [2, 3, 4, 5, 6]
    now = plan.start
    for move in plan.moves:
        assert move.path.feet(0.0) == tuple(pytest.approx(foot, abs=1e-15) for foot in now)
        now = move.path.feet(1.0)
    assert plan.end == now == tuple(pytest.approx(foot) for foot in bracken.resting.feet)
    assert plan.duration == pytest.approx(sum(move.duration for move in plan.moves))
    assert plan.moves[0].duration == 0.5
    assert plan.step_end(0.1) == 0.5


def test_a_lifted_foot_stays_in_the_room_while_the_body_moves(
    planner: Planner, bracken: Robot
) -> None:
    """It is lifted before the body moves and after: seen from the level body it has not moved."""
    lift = FeetStep({'left_front': Place(Frame.RESTING, z=-0.03)})
    lean = BodyStep((0.01, -0.01, -0.01, 0.05, 0.0, 0.1))
    plan = planner.plan([STAND, lift, lean], bracken.resting.feet)
    lifted, leant = (plan.moves[number].path.feet(1.0) for number in (1, 2))
    offset = Offset((0.01, -0.01, -0.01), (0.05, 0.0, 0.1))
    for before, after in zip(lifted, leant, strict=True):
        assert offset.place(after) == pytest.approx(before, abs=1e-12)


def test_the_offset_of_the_body_is_kept_where_none_is_given(
    planner: Planner, bracken: Robot
) -> None:
    """Two steps, each with a part of it, end where one with all of it does."""
    parts: list[Step] = [
        STAND,
        BodyStep((0.01, None, None, None, 0.1, None)),
        BodyStep((None, None, -0.01, None, None, 0.1)),
    ]
    whole: list[Step] = [STAND, BodyStep((0.01, 0.0, -0.01, 0.0, 0.1, 0.1))]
    ends = [planner.plan(steps, bracken.resting.feet).end for steps in (parts, whole)]
    assert ends[0] == tuple(pytest.approx(foot, abs=1e-12) for foot in ends[1])


# ---- what cannot be done


@given(st.tuples(*3 * [st.floats(-0.4, 0.4)]), st.sampled_from(list(Frame)))
@settings(max_examples=settings().max_examples // 2)
def test_the_nearest_place_can_be_typed_and_taken(
    planner: Planner, calibrated: CalibratedRobot, point: Vector, frame: Frame
) -> None:
    """A foot that is sent where the message says can be there; nothing far nearer can be taken."""
    robot, leg = calibrated.robot, calibrated.legs[0]
    frames = LegFrames(robot)
    goal = frames.point('left_front', frame, point)
    try:
        planner.plan([FeetStep({'left_front': Place(frame, *point)})], robot.resting.feet)
    except StepError as error:
        words = str(error)
    else:
        reject()
    found = re.search(r'that it can take is x (\S+), y (\S+), z (\S+) mm in the (\w+) frame', words)
    if found is None:
        # The place itself can be taken, but not by a straight line.
        assert 'on the straight line there: left_front' in words
        leg.angles(goal)
        return
    assert found[4] == frame
    x, y, z = (float(number) / 1e3 for number in found.groups()[:3])
    nearest = frames.point('left_front', frame, (x, y, z))
    leg.angles(nearest)
    # Of ten places each on the way there, none can be taken but within the rounding.
    for share in range(10):
        between = [a + share / 10.0 * (b - a) for a, b in zip(goal, nearest, strict=True)]
        if dist(between, nearest) > 5e-4:
            with pytest.raises(LegKinematicsError):
                leg.angles((between[0], between[1], between[2]))


def test_what_is_wrong_in_the_end_is_told_before_anything(planner: Planner, bracken: Robot) -> None:
    """Nothing is planned; the error knows the step and its number."""
    far = FeetStep({'right_front': Place(Frame.RESTING, x=0.5)})
    with pytest.raises(StepError, match=r'^step 3: right_front: .* mm out of reach') as refused:
        planner.plan([STAND, LIE, far], bracken.resting.feet)
    assert refused.value.step is far
    assert refused.value.leg == 'right_front'


def test_a_circle_needs_two_coordinates(planner: Planner, bracken: Robot) -> None:
    """One or three are no plane."""
    for place in (Place(Frame.LEG, x=0.1), Place(Frame.LEG, 0.1, 0.0, 0.0)):
        with pytest.raises(StepError, match='needs two of x, y and z, which are its plane'):
            planner.plan([CircleStep({'left_front': place})], bracken.resting.feet)


@pytest.mark.parametrize(
    ('begin', 'centre', 'expected'),
    [
        ((0.02, 0.0, 0.02), {'x': 0, 'y': 0}, (0.0, 0.02, 0.02)),
        ((0.0, 0.02, 0.02), {'y': 0, 'z': 0.02}, (0.0, 0.0, 0.04)),
        ((0.02, 0.0, 0.02), {'x': 0.0, 'z': 0.02}, (0.0, 0.0, 0.04)),
    ],
)
def test_a_quarter_of_a_turn_leads_from_the_first_axis_to_the_second(
    planner: Planner, bracken: Robot, begin: Vector, centre: dict[str, float], expected: Vector
) -> None:
    """In each plane, by hand, from where the foot rests."""
    steps: list[Step] = [
        FeetStep({'left_front': Place(Frame.RESTING, *begin)}),
        CircleStep({'left_front': Place(Frame.RESTING, **centre)}, pi / 2.0),
    ]
    end = planner.plan(steps, bracken.resting.feet).end[0]
    there = LegFrames(bracken).coordinates('left_front', Frame.RESTING, end)
    assert there == pytest.approx(expected, abs=1e-12)


# ---- balance


def drawn(random: Random, count: int, bracken: Robot) -> Robot:
    """Draw a robot with legs all around it, in two postures of its own."""
    size = random.uniform(0.5, 2.0)

    def drawn_link(link: Link) -> Link:
        factor = size * random.uniform(0.85, 1.2)
        return replace(
            link,
            length=factor * link.length,
            centre_of_mass=factor * link.centre_of_mass,
            lower=max(-2.9, 1.2 * link.lower),
            upper=1.2 * link.upper,
        )

    coxa, femur, tibia = map(drawn_link, bracken.legs[0].links)
    radius, low, high = (
        size * random.uniform(*ends) for ends in ((0.06, 0.14), (0.02, 0.04), (0.07, 0.09))
    )
    legs: list[Leg] = []
    resting: list[Vector] = []
    standing: list[Vector] = []
    for number in range(count):
        yaw = tau * number / count + random.uniform(-0.2, 0.2)
        x, y = radius * cos(yaw), radius * sin(yaw)
        rpy = (random.uniform(-0.1, 0.1), random.uniform(-0.1, 0.1), yaw)
        legs.append(Leg(f'leg_{number}', Mount((x, y, 0.0), rpy), coxa, femur, tibia))
        for feet, height in ((resting, low), (standing, high)):
            reach = size * random.uniform(0.115, 0.130)
            feet.append((x + reach * cos(yaw), y + reach * sin(yaw), -height))
    return replace(
        bracken,
        name='drawn',
        legs=tuple(legs),
        resting=FeetOf(low, tuple(resting)),
        standing=FeetOf(high, tuple(standing)),
    )


def see_that_no_standing_foot_is_dragged(robot: Robot, move: Move) -> None:
    """See that a foot which is on the ground at an end of its line goes straight up or down."""
    assert isinstance(move.path, StraightLines)
    floor = -robot.resting.height
    grounds = [min(floor, *(z for _, _, z in feet)) for feet in (move.path.start, move.path.goal)]
    for start, goal in zip(move.path.start, move.path.goal, strict=True):
        if start[2] < grounds[0] + THERE or goal[2] < grounds[1] + THERE:
            assert dist(start[:2], goal[:2]) < 1.001 * THERE, (start, goal)


@given(st.integers(0, 2**32), st.sampled_from([1, 3, 4, 6, 8]))
@settings(max_examples=settings().max_examples // 8)
def test_postures_from_anywhere(bracken: Robot, seed: int, count: int) -> None:
    """Whatever the feet did before, the robot stands or lies then; no standing foot is dragged."""
    random = Random(seed)
    robot = drawn(random, count, bracken)
    steps: list[Step] = []
    for _ in range(3):
        places = {
            name: Place(Frame.RESTING, *(random.uniform(-0.015, 0.015) for _ in range(3)))
            for name in random.sample(robot.leg_names, random.randint(0, count))
        }
        tilt = [random.uniform(-0.02, 0.02) for _ in range(6)]
        steps += [
            FeetStep(places),
            BodyStep(tuple(tilt)),
            PostureStep(random.choice(list(Posture))),
        ]
    try:
        plan = planner_of(robot).plan(steps, robot.resting.feet)
    except StepError:
        reject()
    for move in plan.moves:
        if (
            isinstance(move.step, PostureStep)
            and isinstance(move.path, StraightLines)
            and count > 2
        ):
            see_that_no_standing_foot_is_dragged(robot, move)
    last = steps[-1]
    assert isinstance(last, PostureStep)
    posture = {Posture.STANDING: robot.standing, Posture.RESTING: robot.resting}[last.posture]
    assert plan.end == tuple(pytest.approx(foot, abs=1e-9) for foot in posture.feet)


def test_a_foot_that_is_folded_in_is_put_down_before_the_body_sinks(
    planner: Planner, bracken: Robot
) -> None:
    """Sinking with it would ask for 45 mm from femur axis to foot, where the knee folds to 57.

    By hand, in the plane of the leg: 60 mm in and 15 mm above the ground the foot is 33 mm out from
    the femur axis and 70 mm down; with the body at rest it would be 33 mm out and 30 down. At its
    limit of 150 degrees the knee leaves sqrt(68^2 + 104^2 - 2 68 104 cos 30) = 56.6 mm.
    """
    fold = FeetStep({'left_front': Place(Frame.RESTING, x=-0.060, z=-0.040)})
    plan = planner.plan([STAND, fold, LIE], bracken.resting.feet)
    assert plan.end == tuple(pytest.approx(foot) for foot in bracken.resting.feet)


def test_a_foot_is_lifted_as_high_as_its_leg_can(bracken: Robot) -> None:
    """Close to its mount a foot of bracken cannot come higher than 12 mm below it.

    So the limit of the femur, 95 degrees, has it: it rests 20 mm below, and of 20, 10 and 5 mm it
    can be lifted by 5. Farther out it is lifted by all of 20.
    """
    for reach, rise in ((0.095, 0.005), (0.125, 0.020)):
        feet = []
        for leg in bracken.legs:
            x, y, _ = leg.mount.position
            _, _, yaw = leg.mount.rpy
            feet.append((x + reach * cos(yaw), y + reach * sin(yaw), -0.020))
        low = replace(bracken, resting=FeetOf(0.020, tuple(feet)))
        aside = FeetStep({'left_front': Place(Frame.RESTING, y=0.008)})
        plan = planner_of(low).plan([aside, LIE], feet)
        heights = [move.path.feet(1.0)[0][2] + 0.020 for move in plan.moves]
        assert max(heights) == pytest.approx(rise)
        assert plan.end == tuple(pytest.approx(foot) for foot in feet)


def feet_up(*legs: str) -> FeetStep:
    """Lift feet of a standing bracken by 35 mm."""
    return FeetStep({leg: Place(Frame.RESTING, z=-0.02) for leg in legs})


def test_lifted_feet_that_tip_the_robot_over_are_cautioned_against(
    planner: Planner, bracken: Robot
) -> None:
    """By hand: without both left front feet it stands on a line through its middle, or nearly.

    Without all of the left side its middle is outside by about as far as the right feet are from
    it, at their nearest 60 + 125 sin 40 = 140.3 mm to the right; the weight of the lifted legs
    pulls it left, that of the others right.
    """
    lifts = {
        ('left_front',): None,
        ('left_front', 'left_rear'): None,
        ('left_front', 'left_middle', 'left_rear'): 140.3,
    }
    for legs, outside in lifts.items():
        cautions = planner.plan([STAND, feet_up(*legs)], bracken.resting.feet).cautions
        assert bool(cautions) == (outside is not None)
        if outside is not None:
            (caution,) = cautions
            assert f'{", ".join(legs)} off the ground' in caution.reason
            found = re.search(
                r'centre of mass is (\d+) mm beyond the feet that stand', caution.reason
            )
            assert found is not None
            assert float(found[1]) == pytest.approx(outside, abs=8.0)


def test_a_caution_has_the_number_among_all_steps(planner: Planner, bracken: Robot) -> None:
    """When it is begun with a later one, too."""
    side = feet_up('left_front', 'left_middle', 'left_rear')
    feet = bracken.resting.feet
    plan = plan_from(lambda steps, _: planner.plan(steps, feet), [LIE, STAND, side], 1)
    assert [str(caution)[:7] for caution in plan.cautions] == ['step 3:']


def test_a_robot_that_lies_or_has_one_leg_does_not_tip_over(
    planner: Planner, bracken: Robot, one_leg: Robot
) -> None:
    """With its belly on the ground it may lift all feet of one side, and all feet."""
    side = FeetStep({leg: Place(Frame.RESTING, z=0.02) for leg in bracken.leg_names[:3]})
    up = FeetStep({'all': Place(Frame.RESTING, z=0.02)})
    assert not planner.plan([side, up], bracken.resting.feet).cautions
    assert not planner_of(one_leg).plan([up, to(*END)], [BEGIN]).cautions


def test_a_body_that_leans_too_far_is_cautioned_against(planner: Planner, bracken: Robot) -> None:
    """Two neighbours lifted, it stands on four feet with its middle close to their edge.

    That edge leads from the left rear foot to the right front one: a lean forward leads beyond it,
    one backward away from it.
    """
    lift = feet_up('left_front', 'left_middle')
    for x, tips in ((0.02, True), (-0.02, False)):
        plan = planner.plan([STAND, lift, BodyStep((x, *5 * (None,)))], bracken.resting.feet)
        assert [caution.number for caution in plan.cautions] == tips * [2]
