# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Random moves and sequences of random robots: reached, or refused whole, and nothing exceeded.

Everything is judged by the joints as commanded in every tick and by the pulses of the simulated
boards, with lines and distances computed here.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations
from math import dist, hypot
from random import Random
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.moves.paths import BodyMove, Feet
from leg_kinematics.moves.places import Frame, LegFrames, Place
from leg_kinematics.moves.plan import Move, Plan, StepError
from leg_kinematics.moves.steps import (
    BodyStep,
    FeetStep,
    Haste,
    Posture,
    PostureStep,
    Step,
    WaitStep,
)
from leg_kinematics.robot import Mount, Robot
from leg_kinematics.solver import LegSolver, leg_solvers, posture_angles

if TYPE_CHECKING:
    from test.drawn_robots import drawn_robot, drawn_size, full_maps
    from test.played_robot import RATE, TOLERANCE, PlayedRobot, farthest
else:
    from drawn_robots import drawn_robot, drawn_size, full_maps
    from played_robot import RATE, TOLERANCE, PlayedRobot, farthest

#: Legs of the robots.
COUNTS = (1, 3, 4, 6, 8)

#: Moves and sequences of each of these robots in every run, and by `make soak`.
FEW, MANY = (6, 1), (60, 10)

#: Largest distance of a foot from its line in a stream of this rate, m; what is promised is more.
ON_LINE = 5e-5

#: A pulse is told in half microseconds, so that it is off by no more than this, us.
ROUNDED_BY_US = 0.25

#: Rounding, m.
SAME = 1e-6

#: How much faster than planned a move may be for a moment, when it is set off along its way: far
#: from what the bridge allows.
SETTING_OFF = 1.07

#: Points of a line that are looked at to see why it was refused.
POINTS = 2000


def mounted_robot(seed: int, count: int) -> Robot:
    """Draw a robot whose legs are mounted at angles of their own, if it can rest and stand so."""
    random = Random(seed)
    robot = drawn_robot(random, f'robot_{seed}', drawn_size(random), count)
    legs = []
    for leg in robot.legs:
        _, _, yaw = leg.mount.rpy
        rpy = (random.uniform(-0.15, 0.15), random.uniform(-0.15, 0.15), yaw)
        legs.append(replace(leg, mount=Mount(leg.mount.position, rpy)))
    tilted = replace(robot, legs=tuple(legs))
    try:
        for posture in ('resting', 'standing'):
            posture_angles(tilted, leg_solvers(tilted), posture)
    except LegKinematicsError:
        return robot
    return tilted


def drawn_feet(random: Random, robot: Robot, size: float = 1.0) -> FeetStep:
    """Draw a step of some feet, often within reach, now and then beyond."""
    frames = LegFrames(robot)
    places: dict[str, Place] = {}
    for leg, resting in zip(robot.legs, robot.resting.feet, strict=True):
        if random.random() < 0.5 and places:
            continue
        way = size * random.choice((0.02, 0.05, 0.05, 0.15))
        drawn = [random.uniform(-way, way) for _ in range(3)]
        frame = random.choice(list(Frame))
        x, y, z = frames.coordinates(leg.name, frame, resting)
        given = [
            each if random.random() < 0.7 else None
            for each in (x + drawn[0], y + drawn[1], z + drawn[2])
        ]
        places[leg.name] = Place(frame, *given)
    haste = random.choice((Haste(), Haste(time=random.uniform(0.2, 2.0)), Haste(speed=0.3)))
    return FeetStep(places, haste)


def drawn_sequence(random: Random, robot: Robot) -> list[Step]:
    """Draw a sequence that begins at rest."""
    steps: list[Step] = [PostureStep(Posture.STANDING)] if random.random() < 0.8 else []
    for _ in range(random.randint(2, 6)):
        match random.randrange(5):
            case 0:
                steps.append(drawn_feet(random, robot, 0.5))
            case 1 | 2:
                shift = [random.uniform(-0.02, 0.02) for _ in range(3)]
                turn = [random.uniform(-0.12, 0.12) for _ in range(3)]
                given = [each if random.random() < 0.6 else None for each in (*shift, *turn)]
                steps.append(BodyStep(tuple(given), Haste(speed=random.choice((0.06, 0.5)))))
            case 3:
                steps.append(WaitStep(random.uniform(0.0, 0.3)))
            case 4:
                steps.append(PostureStep(random.choice(list(Posture))))
    return steps


def see_why(
    legs: Sequence[LegSolver], error: StepError, start: Feet, goal: Feet, moving: Sequence[int]
) -> None:
    """See that a foot really cannot be somewhere on the way of a step that was refused."""
    for index in moving:
        leg = legs[index]
        for point in range(POINTS + 1):
            share = point / POINTS
            foot = [a + share * (b - a) for a, b in zip(start[index], goal[index], strict=True)]
            try:
                leg.angles((foot[0], foot[1], foot[2]))
            except LegKinematicsError:
                assert leg.name in str(error)
                return
    # What is left are lines so near to full stretch or the coxa axis that no servo can follow.
    assert 'sub-moves' in str(error), error


def see_move(played: PlayedRobot, move: Move, feet: Feet, speeds: list[float]) -> None:
    """See what must hold in a tick of a move."""
    robot = played.robot
    for joint, speed in zip(robot.joints, speeds, strict=True):
        assert speed <= SETTING_OFF * played.speeds[joint] + SAME, (joint, speed)
    for leg, three in zip(played.legs, triples(played.life.driving.positions), strict=True):
        leg.check(three)
    start, goal = move.path.feet(0.0), move.path.feet(1.0)
    if isinstance(move.path, BodyMove):
        # The feet stay where they are in the world: so they do not move among each other.
        for one, other in combinations(range(len(feet)), 2):
            apart = dist(start[one], start[other])
            assert abs(dist(feet[one], feet[other]) - apart) <= 2.0 * ON_LINE
        return
    for index, foot in enumerate(feet):
        if start[index] == goal[index]:
            # The tick in which one move ends may have some of the next one in it.
            assert dist(foot, start[index]) <= (
                ON_LINE if moves_nearby(played, move, index) else SAME
            )
        else:
            assert off_line(foot, start[index], goal[index]) <= min(ON_LINE, TOLERANCE)


def moves_nearby(played: PlayedRobot, move: Move, index: int) -> bool:
    """Tell whether a foot moves in the move before or after."""
    moves = played.plan.moves
    number = moves.index(move)
    near = moves[max(0, number - 1) : number + 2]
    return any(each.path.feet(0.0)[index] != each.path.feet(1.0)[index] for each in near)


def rounding(played: PlayedRobot) -> float:
    """How far a foot can be off by the rounding of its three pulses, m."""
    angle = max(
        abs(each.angle(1500.0 + ROUNDED_BY_US) - each.angle(1500.0)) for each in played.maps.maps
    )
    return angle * max(
        sum(link.length for part in range(3) for link in leg.links[part:])
        for leg in played.robot.legs
    )


def off_line(foot: Sequence[float], start: Sequence[float], goal: Sequence[float]) -> float:
    """Distance of a foot from the line through two points, m."""
    line = [b - a for a, b in zip(start, goal, strict=True)]
    way = [b - a for a, b in zip(start, foot, strict=True)]
    length = hypot(*line)
    along = sum(a * b for a, b in zip(line, way, strict=True)) / length
    return hypot(*(w - along * each / length for w, each in zip(way, line, strict=True)))


def triples(angles: Sequence[float]) -> Iterator[tuple[float, float, float]]:
    """Joint angles leg by leg."""
    yield from zip(angles[::3], angles[1::3], angles[2::3], strict=True)


def play_watched(played: PlayedRobot, plan: Plan) -> None:
    """Play a plan, looking at every tick."""
    playing = played.take(plan)
    assert playing.play(played.life.now).success
    angles = played.life.driving.positions
    while playing.end - playing.time > SAME and playing.state == 'playing':
        move = playing.move
        assert move is not None
        played.step()
        now = played.life.driving.positions
        speeds = [RATE * abs(b - a) for a, b in zip(angles, now, strict=True)]
        # In the tick in which a move ends and the next begins, both lie in it.
        if playing.move is move:
            see_move(played, move, played.feet, speeds)
        angles = now
    played.run(2)
    assert playing.state == 'finished', playing.condition()
    assert farthest(played.feet, plan.end) <= SAME
    assert farthest(played.feet_by_pulses, plan.end) <= rounding(played)


def see_postures(plan: Plan, robot: Robot) -> None:
    """No foot that stands is dragged while the robot goes to a posture, by the paths."""
    for move in plan.moves:
        if isinstance(move.step, PostureStep) and not isinstance(move.path, BodyMove):
            start, goal = move.path.feet(0.0), move.path.feet(1.0)
            # A robot that lies may lift all feet off the ground.
            ground = min(-robot.resting.height, *(z for _, _, z in start))
            standing = [i for i, (_, _, z) in enumerate(start) if z - ground < 1e-4]
            if len(start) >= 3:
                across = [
                    hypot(goal[i][0] - start[i][0], goal[i][1] - start[i][1]) for i in standing
                ]
                assert max(across, default=0.0) <= 1e-4


@pytest.mark.parametrize(
    ('moves', 'sequences'),
    [pytest.param(*FEW, id='few'), pytest.param(*MANY, id='many', marks=pytest.mark.soak)],
)
@pytest.mark.parametrize('count', COUNTS)
def test_reached_or_refused_whole(count: int, moves: int, sequences: int) -> None:
    """Feet go where they are told on straight lines, or not at all."""
    reached = refused = 0
    played = None
    for number in range(moves):
        random = Random(1000 * count + number)
        if number % 6 == 0:
            robot = mounted_robot(1000 * count + number, count)
            played = PlayedRobot(robot, full_maps(robot))
        assert played is not None
        step = drawn_feet(random, played.robot)
        here = played.feet
        try:
            plan = played.planner.plan([step], here)
        except StepError as error:
            refused += 1
            frames = LegFrames(played.robot)
            goal = tuple(
                frames.goal(leg.name, step.places[leg.name], foot)
                if leg.name in step.places
                else foot
                for leg, foot in zip(played.legs, here, strict=True)
            )
            moving = [i for i, leg in enumerate(played.legs) if leg.name in step.places]
            see_why(played.legs, error, here, goal, moving)
            assert farthest(played.feet, here) <= 0.0
            continue
        reached += 1
        if plan.moves:
            play_watched(played, plan)
    for number in range(sequences):
        seed = 1000 * count + 500 + number
        random = Random(seed)
        robot = mounted_robot(seed, count)
        played = PlayedRobot(robot, full_maps(robot))
        steps = drawn_sequence(random, robot)
        try:
            plan = played.planner.plan(steps, played.feet)
        except StepError:
            refused += 1
            continue
        reached += 1
        see_postures(plan, robot)
        if plan.moves:
            play_watched(played, plan)
    print(f'\n{count} legs: {reached} reached, {refused} refused')  # noqa: T201
    assert reached > 0
    assert refused > 0
