# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The fastest walk that is told is the one that the whole chain walks, to the pulses."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from math import cos, hypot, radians, sin, tau
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

import numpy as np
import pytest

from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.lockstep import LockStep, LockStepParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.design.clearance import STRIDE, clearance_finding
from leg_kinematics.design.design import Design
from leg_kinematics.design.load import support_finding
from leg_kinematics.design.report import check_robot
from leg_kinematics.design.speed import joint_speed_findings
from leg_kinematics.design.steady_walk import HEADINGS, INSTANTS, SteadyWalk, steady_walk
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import TETRAPOD, TRIPOD, WAVE, GaitParameters, GaitState, Twist
from leg_kinematics.robot import Mount, Posture, Robot, load_robot
from leg_kinematics.solver import LegSolver, joint_points, leg_solvers, segment_distances

if TYPE_CHECKING:
    from test.drawn_robots import drawn_robot, drawn_size, full_maps
else:
    from drawn_robots import drawn_robot, drawn_size, full_maps

CONFIG = Path(__file__).parents[2] / 'config'

#: As many robots as are looked at in every run, and by `make soak`.
FEW, MANY = 6, 50

#: What is asked for in lock step, m/s and rad/s: far beyond what any of these robots walks.
BEYOND = 50.0

#: A foot is on the ground when it is as high as a foot that stands, by so much, m.
ON_GROUND = 5e-4

WALKS = [
    pytest.param(factor, heading, id=f'{heading}-{factor:.2f}')
    for factor in (TRIPOD, TETRAPOD, WAVE)
    for heading in HEADINGS
]


@dataclass(frozen=True)
class Drawn:
    """A robot that was drawn by chance, how it shall walk, and where to."""

    robot: Robot
    maps: ServoMaps
    parameters: GaitParameters
    heading: str


def draw(seed: int) -> Drawn:
    """Draw a robot of 4 to 8 legs around its body, longer, shorter, faster, slower than bracken."""
    random = Random(seed)
    size = drawn_size(random)
    count = random.randint(4, 8)
    robot = drawn_robot(random, f'robot_{seed}', size, count)
    parameters = GaitParameters(
        swing_time=random.uniform(0.3, 0.8),
        lift=size * random.uniform(0.015, 0.035),
        max_speed=random.choice((0.12, 2.0)),
        max_yaw_rate=random.choice((0.6, 4.0)),
        # Four legs and odd ones balance on an edge, or nearly so.
        min_margin=0.01 if count in {6, 8} else -0.03,
        duty_factor=random.choice((TRIPOD, TETRAPOD, 0.75)) if count in {6, 8} else WAVE,
    )
    parameters = replace(parameters, slow_duty_factor=parameters.duty_factor)
    if count % 2:
        ring = [leg.name for leg in sorted(robot.legs, key=lambda leg: leg.mount.rpy[2] % tau)]
        phases = {name: (2 * place % count) / count for place, name in enumerate(ring)}
        parameters = replace(parameters, phases=phases)
    return Drawn(robot, full_maps(robot), parameters, random.choice(list(HEADINGS)))


def feet_from_pulses(life: LockStep, maps: ServoMaps, legs: Sequence[LegSolver]) -> np.ndarray:
    """Where the pulses that the boards put out hold the feet, in `base_link`, m."""
    pulses = {board: life.pulses_us(board) for board in maps.boards}
    angles = [each.angle(pulses[each.board][each.channel]) for each in maps.maps]
    triples = zip(angles[::3], angles[1::3], angles[2::3], strict=True)
    return np.array([leg.foot(triple) for leg, triple in zip(legs, triples, strict=True)])


def walked(drawn: Drawn) -> float:
    """Walk the robot in lock step, and measure from its pulses how fast it comes on.

    Feet on the ground go back under the body as fast as it goes forward.
    """
    legs = leg_solvers(drawn.robot)
    life = LockStep(drawn.robot, drawn.maps, LockStepParameters(gait=drawn.parameters))
    life.driving.configure()
    life.run(0.1)
    life.driving.activate()
    life.run_until(lambda: life.driving.report().state is PowerState.FOLLOWING)
    life.run_until(lambda: life.walking.stand(life.now).success)

    def stands() -> bool:
        sample = life.walking.sample
        return sample is not None and sample.state is GaitState.STANDING

    life.run_until(stands)
    ahead, left, turn = HEADINGS[drawn.heading]
    life.command = Twist(ahead * BEYOND, left * BEYOND, turn * BEYOND)
    period = drawn.parameters.swing_time / (1.0 - drawn.parameters.duty_factor)
    fastest = max(drawn.parameters.max_speed, drawn.parameters.max_yaw_rate)
    life.run(min(4.0, fastest / drawn.parameters.acceleration) + 6.0 * period)
    way, time, before = 0.0, 0.0, feet_from_pulses(life, drawn.maps, legs)
    while time < 2.0 * period:
        life.step()
        feet = feet_from_pulses(life, drawn.maps, legs)
        ground = max(feet[:, 2].min(), before[:, 2].min()) + ON_GROUND
        standing = (feet[:, 2] < ground) & (before[:, 2] < ground)
        middle, step = 0.5 * (feet + before)[standing], (feet - before)[standing]
        if drawn.heading == 'turning':
            arms = (middle[:, :2] ** 2).sum(axis=1)
            turns = (middle[:, 0] * step[:, 1] - middle[:, 1] * step[:, 0]) / arms
            way -= float(turns.mean())
        else:
            way -= float(step.mean(axis=0) @ (ahead, left, 0.0))
        time, before = time + life.tick, feet
    return way / time


@pytest.mark.parametrize(
    'seed',
    [
        pytest.param(seed, marks=() if seed < FEW else pytest.mark.soak, id=f'robot {seed}')
        for seed in range(MANY)
    ],
)
def test_the_fastest_walk_is_what_the_chain_walks(seed: int) -> None:
    """Told and walked differ by less than 5 %, and one that is told not to walk does not."""
    drawn = draw(seed)
    design = Design(drawn.robot, drawn.maps, drawn.parameters)
    assert design.postures
    told = 0.0
    with suppress(CommandError):
        told = design.walk(drawn.parameters.duty_factor, drawn.heading).speed
    assert walked(drawn) == pytest.approx(told, rel=0.05, abs=1e-4)


@pytest.fixture(scope='module')
def bracken() -> Robot:
    """Return the robot that ships with the package."""
    return load_robot(CONFIG / 'robots' / 'bracken.yaml')


def test_four_legs_that_never_move_fail_with_the_reason_of_the_gait(bracken: Robot) -> None:
    """By default a robot on four legs keeps no margin, and the gait takes no step."""
    corners = [0, 2, 3, 5]
    four = replace(
        bracken,
        legs=tuple(bracken.legs[leg] for leg in corners),
        resting=Posture(
            bracken.resting.height, tuple(bracken.resting.feet[leg] for leg in corners)
        ),
        standing=Posture(
            bracken.standing.height, tuple(bracken.standing.feet[leg] for leg in corners)
        ),
    )
    report = check_robot(four, None, lambda _: None)
    walks = [each for each in report.findings if each.group == 'fastest walk']
    assert [each.value for each in walks] == [0.0] * len(walks)
    assert report.verdict == walks[0].verdict == 'fail'
    assert 'stride radius 0 mm of left_front, to keep a margin of 10 mm' in walks[0].detail
    assert 'min_margin below zero' in walks[0].detail
    assert report.walks == ()


def test_gait_that_is_told_to_walk_slower_is_checked_as_that(bracken: Robot) -> None:
    """What the parameters bound is told as the bound, and what is asked for is less as well."""
    parameters = GaitParameters(max_speed=0.05, max_yaw_rate=0.2)
    report = check_robot(bracken, None, lambda _: None, parameters)
    told = {each.name: each for each in report.findings if each.group == 'fastest walk'}
    assert told['forward, at 0.50'].value == pytest.approx(0.05)
    assert told['forward, at 0.50'].detail.endswith('limited by max_speed 0.05 m/s')
    assert told['turning, at 0.50'].value == pytest.approx(0.2)
    assert {each.verdict for each in told.values()} == {'pass'}


def test_only_what_the_parameters_allow_is_checked(bracken: Robot) -> None:
    """Faster duty factors than that of the parameters are left out; declared phases have one."""
    steady = GaitParameters(duty_factor=0.7, slow_duty_factor=0.75)
    assert Design(bracken, None, steady).duty_factors == (0.7, 0.75, WAVE)
    phases = {name: place / 6.0 for place, name in enumerate(bracken.leg_names)}
    declared = GaitParameters(duty_factor=WAVE, phases=phases)
    assert Design(bracken, None, declared).duty_factors == (WAVE,)


def test_a_leg_that_is_carried_stays_up(bracken: Robot) -> None:
    """With declared phases that leave out a leg, that leg neither stands nor moves."""
    names = bracken.leg_names
    touchdowns = {0: 0.0, 2: 0.4, 3: 0.8, 4: 0.2, 5: 0.6}
    phases = {names[leg]: phase for leg, phase in touchdowns.items()}
    parameters = GaitParameters(duty_factor=WAVE, phases=phases, min_margin=-0.02)
    walk = steady_walk(bracken, leg_solvers(bracken), parameters, 'forward')
    assert walk.speed > 0.0
    carried = names.index('left_middle')
    assert not walk.standing[:, carried].any()
    assert len(walk.stance(carried)) == 0
    # Its height as the parameters have it.
    height = parameters.carry_height - bracken.standing.height
    assert walk.feet[:, carried, 2] == pytest.approx(height)


def test_a_robot_that_feels_the_ground_walks_on_level_ground(bracken: Robot) -> None:
    """Contacts that close where the ground is cost little: every foot stands and swings in turn."""
    parameters = GaitParameters(contacts=True)
    walk = steady_walk(bracken, leg_solvers(bracken), parameters, 'forward')
    assert walk.speed > 0.05
    assert walk.standing.mean(axis=0) == pytest.approx(0.5, abs=0.06)
    ground = -bracken.standing.height
    assert np.abs(walk.feet[..., 2] - ground)[walk.standing].max() < 2e-3


@pytest.mark.parametrize(('factor', 'heading'), WALKS)
def test_velocities_and_rates_are_derivatives(bracken: Robot, factor: float, heading: str) -> None:
    """Central differences of feet and angles, around the cycle, give velocities and rates."""
    parameters = GaitParameters(duty_factor=factor, slow_duty_factor=factor)
    walk = steady_walk(bracken, leg_solvers(bracken), parameters, heading)
    for position, derivative in ((walk.feet, walk.velocities), (walk.angles, walk.rates)):
        difference = np.roll(position, -1, axis=0) - np.roll(position, 1, axis=0)
        slope = difference * INSTANTS / (2.0 * walk.period)
        assert np.abs(slope - derivative).max() < 0.05 * np.abs(derivative).max()


@pytest.fixture(scope='module')
def close_bracken(bracken: Robot) -> Robot:
    """Turn the left front leg towards the middle one, foot and all."""
    yaw = radians(75.0)
    leg, foot = bracken.legs[0], bracken.standing.feet[0]
    x, y, _ = leg.mount.position
    turned = replace(leg, mount=Mount(leg.mount.position, (0.0, 0.0, yaw)))
    reach = hypot(foot[0] - x, foot[1] - y)

    def posture(former: Posture) -> Posture:
        first = (x + reach * cos(yaw), y + reach * sin(yaw), -former.height)
        return Posture(former.height, (first, *former.feet[1:]))

    return replace(
        bracken,
        legs=(turned, *bracken.legs[1:]),
        resting=posture(bracken.resting),
        standing=posture(bracken.standing),
    )


def walks_of(robot: Robot, factor: float, instants: int = INSTANTS) -> list[SteadyWalk]:
    """Walk in all directions with one duty factor."""
    parameters = GaitParameters(duty_factor=factor, slow_duty_factor=factor)
    legs = leg_solvers(robot)
    return [steady_walk(robot, legs, parameters, heading, instants) for heading in HEADINGS]


@pytest.mark.parametrize('factor', [TRIPOD, TETRAPOD, WAVE])
def test_margins_are_those_of_ten_times_as_many_instants(
    close_bracken: Robot, factor: float
) -> None:
    """Half a millimetre, and a hundredth of the speed of a servo, are all that more would show."""
    legs = leg_solvers(close_bracken)
    walks = walks_of(close_bracken, factor)
    dense = walks_of(close_bracken, factor, 10 * INSTANTS)
    for few, many in zip(walks, dense, strict=True):
        assert few.speed == pytest.approx(many.speed, rel=2e-3)
    margin = support_finding(close_bracken, legs, walks).value
    least = support_finding(close_bracken, legs, dense).value
    assert margin is not None
    assert least is not None
    assert least - 1e-5 <= margin <= least + 5e-4
    for few_speed, many_speed in zip(
        joint_speed_findings(close_bracken, walks),
        joint_speed_findings(close_bracken, dense),
        strict=True,
    ):
        assert few_speed.value == pytest.approx(many_speed.value, abs=0.01)


def test_clearance_is_that_of_ten_times_as_many_instants(close_bracken: Robot) -> None:
    """Between the two legs that come closest; of both, as many instants are left out as before."""
    legs = leg_solvers(close_bracken)
    told = clearance_finding(close_bracken, legs, walks_of(close_bracken, TRIPOD))
    joints, _, heading = told.detail.partition(', ')
    index = list(HEADINGS).index(heading)
    walk = walks_of(close_bracken, TRIPOD, 10 * INSTANTS)[index]
    pair = [joint.rpartition('_')[0] for joint in joints.split(' and ')]
    gaps = []
    one, other = (close_bracken.leg_names.index(name) for name in pair)
    points = [joint_points(legs[leg], walk.angles[::STRIDE, leg]) for leg in (one, other)]
    for i, link in enumerate(close_bracken.legs[one].links):
        for j, against in enumerate(close_bracken.legs[other].links):
            distances = segment_distances(
                points[0][:, np.newaxis, i],
                points[0][:, np.newaxis, i + 1],
                points[1][np.newaxis, :, j],
                points[1][np.newaxis, :, j + 1],
            )
            gaps.append(float(distances.min()) - link.radius - against.radius)
    assert told.value is not None
    assert min(gaps) - 1e-6 <= told.value <= min(gaps) + 5e-4


def test_too_few_legs_are_told_as_that(bracken: Robot) -> None:
    """Beside the reason of the gait stands the one that every walker has."""
    few = bracken.part(bracken.leg_names[:3])
    report = check_robot(few, None, lambda _: None)
    assert not [each for each in report.findings if each.group == 'fastest walk']
    (told,) = (each for each in report.not_asked if 'fastest walk' in each.questions)
    assert 'four legs or more' in told.reason
