# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a tick of the gait costs, beside the bare inverse kinematics of its points.

A tick is what the gait and the kinematics do together a hundred times a second: one step of the
walk, and the joint angles and velocities of three preview points. Bare is only the closed form of
the same points, without mounts, limits and velocities. Nothing fails for being slow; the lines
printed say which bars are met.
"""

import random
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from math import pi
from pathlib import Path
from statistics import median

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from leg_kinematics.gait import GaitParameters, GaitSample, GaitState, Offset, Twist, Walker
from leg_kinematics.robot import Leg, Mount, Posture, Robot, Vector, load_robot
from leg_kinematics.solver import LegGeometry, LegSolver, inverse, leg_solvers

pytestmark = [pytest.mark.bench, pytest.mark.timeout(600)]

BRACKEN = Path(__file__).parents[2] / 'config' / 'robots' / 'bracken.yaml'

TICK = 0.01

#: Points of a message between processes, in ticks.
PREVIEW = (0, 1, 7)

COMMAND = Twist(0.05, 0.02, 0.1)

#: With half of its legs in the air a robot of four balances on an edge.
PARAMETERS = GaitParameters(min_margin=-0.1)

#: Distance of neighbouring legs on a side, m: feet of a full stride do not meet.
PITCH = 0.12

SIX = 6
BOUND = 150e-6

#: That an order or a tick takes at most, s.
LONGEST = 2e-3

#: Times that a tick takes, in times of the bare inverse kinematics of its points.
RATIO = 15.0


def robot_of(count: int) -> Robot:
    """Make a robot with so many legs of bracken, in pairs that point to the sides."""
    bracken = load_robot(BRACKEN)
    model = bracken.legs[0]
    legs: list[Leg] = []
    resting: list[Vector] = []
    standing: list[Vector] = []
    for index in range(count):
        side = 1.0 if index % 2 == 0 else -1.0
        x = PITCH * ((count / 2 - 1) / 2 - index // 2)
        y = side * 0.065
        mount = Mount((x, y, 0.0), (0.0, 0.0, side * pi / 2))
        legs.append(replace(model, name=f'leg_{index}', mount=mount))
        for posture, feet in ((bracken.resting, resting), (bracken.standing, standing)):
            reach = max(foot[1] for foot in posture.feet)
            feet.append((x, side * reach, -posture.height))
    return replace(
        bracken,
        legs=tuple(legs),
        resting=Posture(bracken.resting.height, tuple(resting)),
        standing=Posture(bracken.standing.height, tuple(standing)),
    )


@dataclass(frozen=True)
class Contenders:
    """A walk and what is measured of it."""

    step: Callable[[], GaitSample]
    tick: Callable[[], object]
    bare: Callable[[], object]


def contenders(count: int) -> Contenders:
    """Let a robot of so many legs walk, and return what costs time."""
    robot = robot_of(count)
    legs = leg_solvers(robot)
    walker = Walker(robot, legs, PARAMETERS, robot.resting.feet)
    walker.stand()
    while walker.step(TICK, Twist()).state is not GaitState.STANDING:
        pass
    step = partial(walker.step, TICK, COMMAND)
    preview = deque((step() for _ in range(300)), maxlen=PREVIEW[-1] + 1)
    assert preview[-1].state is GaitState.WALKING

    def tick() -> object:
        preview.append(step())
        return [
            solve(leg, foot, velocity)
            for ticks in PREVIEW
            for leg, foot, velocity in zip(
                legs, preview[ticks].feet, preview[ticks].velocities, strict=True
            )
        ]

    points = [
        (leg.geometry, leg.mount.to_mount(foot))
        for ticks in PREVIEW
        for leg, foot in zip(legs, preview[ticks].feet, strict=True)
    ]
    return Contenders(step, tick, partial(solve_bare, points))


def solve(leg: LegSolver, foot: Vector, velocity: Vector) -> tuple[Vector, Vector]:
    """Solve a point as the kinematics node does."""
    joints = leg.angles(foot)
    return joints, leg.velocity(joints, velocity)


def solve_bare(points: list[tuple[LegGeometry, Vector]]) -> list[Vector]:
    """Solve points in the frames of their mounts."""
    return [inverse(geometry, foot) for geometry, foot in points]


@pytest.fixture(scope='module')
def report() -> Iterator[dict[tuple[int, str], float]]:
    """Gather times, s, and print them with the ratios and how they grow with the legs."""
    times: dict[tuple[int, str], float] = {}
    yield times
    print()
    counts = sorted({count for count, _ in times})
    for count in counts:
        tick, bare = times[count, 'tick'], times[count, 'bare']
        print(
            f'{count} legs: step {times[count, "step"] * 1e6:.1f} us, tick {tick * 1e6:.1f} us, '
            f'bare inverse {bare * 1e6:.1f} us, tick / bare {tick / bare:.1f}'
        )
    for name in ('step', 'tick'):
        slope, base = np.polyfit(counts, [times[count, name] for count in counts], 1)
        fit = [slope * count + base for count in counts]
        off = max(abs(times[c, name] / line - 1.0) for c, line in zip(counts, fit, strict=True))
        print(
            f'{name}: {base * 1e6:.1f} us and {slope * 1e6:.2f} us a leg, '
            f'at most {100.0 * off:.0f} % off that line'
        )
    verdict = 'met' if times[SIX, 'tick'] <= BOUND else 'MISSED'
    print(f'tick of six legs <= {BOUND * 1e6:.0f} us: {verdict}')
    verdict = 'met' if times[SIX, 'tick'] <= RATIO * times[SIX, 'bare'] else 'MISSED'
    print(f'tick / bare of six legs <= {RATIO:g}: {verdict}')


@pytest.mark.parametrize('what', ['step', 'tick', 'bare'])
@pytest.mark.parametrize('count', [4, 6, 8, 12])
def test_tick(
    *,
    report: dict[tuple[int, str], float],
    benchmark: BenchmarkFixture,
    count: int,
    what: str,
) -> None:
    """The median over many ticks, which counts every phase of a walk; bare is always the same."""
    contender = getattr(contenders(count), what)
    benchmark.group = f'{count} legs'
    benchmark.pedantic(contender, rounds=3000, warmup_rounds=300)  # type: ignore[no-untyped-call]
    assert benchmark.stats is not None, 'run without --benchmark-disable'
    report[count, what] = float(benchmark.stats.stats.median)


def test_costly_moments() -> None:
    """Print what orders cost, and the ticks while they are carried out.

    An order is answered at once, and the tick in which it comes has to be in time all the same.
    """
    robot = robot_of(SIX)
    legs = leg_solvers(robot)
    walker = Walker(
        robot, legs, replace(PARAMETERS, slow_duty_factor=5.0 / 6.0), robot.resting.feet
    )
    walker.stand()
    while walker.step(TICK, Twist()).state is not GaitState.STANDING:
        pass
    chance = random.Random(0)
    orders: dict[str, Callable[[], object]] = {
        'body offset': lambda: walker.offset_body(
            Offset((0.0, 0.0, 0.0), (chance.uniform(-0.1, 0.1), chance.uniform(-0.1, 0.1), 0.0))
        ),
        'duty factor': lambda: walker.set_duty_factor(chance.uniform(0.5, 5.0 / 6.0)),
        'velocity': lambda: None,
    }
    print()
    longest = 0.0
    for name, order in orders.items():
        ordering, ticking = [], []
        for _ in range(20):
            ordering.append(seconds_of(order))
            command = Twist(chance.uniform(-0.1, 0.1), chance.uniform(-0.1, 0.1), 0.1)
            ticking += [seconds_of(partial(walker.step, TICK, command)) for _ in range(100)]
        longest = max(longest, *ordering, *ticking)
        low, high = (float(np.percentile(ticking, share)) for share in (50, 99))
        print(
            f'another {name}: {median(ordering) * 1e3:.3g} ms; ticks then: median '
            f'{low * 1e6:.0f} us, 99 of 100 within {high * 1e6:.0f} us, '
            f'longest {max(ticking) * 1e6:.0f} us'
        )
    verdict = 'met' if longest <= LONGEST else 'MISSED'
    print(
        f'order or tick of six legs <= {LONGEST * 1e3:.0f} ms: {verdict} ({longest * 1e3:.2f} ms)'
    )


def seconds_of(call: Callable[[], object]) -> float:
    """Measure the time that the process itself takes."""
    begin = time.process_time()
    call()
    return time.process_time() - begin
