# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Random robots live random lives: what must hold at every tick, whatever is commanded.

What is checked is recomputed from the samples alone, as a listener to the gait could.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import pairwise
from math import pi

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from transforms3d.euler import euler2mat

from leg_kinematics.errors import CommandError
from leg_kinematics.gait import (
    BodyMotion,
    Cycle,
    GaitParameters,
    GaitSample,
    GaitState,
    Offset,
    Twist,
    Walker,
    touchdown_phases,
)
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver, leg_solvers

Floats = NDArray[np.float64]

DT = 0.01


@dataclass(frozen=True)
class Episode:
    """What is told to the robot, and a command that is held for some ticks."""

    word: str | float | Offset | None
    command: Twist
    ticks: int


mounts = st.integers(2, 5).flatmap(
    lambda pairs: st.tuples(
        st.floats(0.11, 0.14),
        st.lists(
            st.tuples(st.floats(-0.01, 0.01), st.floats(0.06, 0.09), st.floats(-0.3, 0.3)),
            min_size=pairs,
            max_size=pairs,
        ),
    ).map(
        lambda drawn: [
            (drawn[0] * (0.5 * (pairs - 1) - place) + dx, y, 0.5 * pi + turn)
            for place, (dx, y, turn) in enumerate(drawn[1])
        ]
    )
)

duty_factors = st.one_of(st.sampled_from([1 / 2, 2 / 3, 3 / 4, 5 / 6]), st.floats(0.5, 0.85))

parameter_sets = st.builds(
    GaitParameters,
    swing_time=st.floats(0.4, 0.8),
    duty_factor=duty_factors,
    slow_duty_factor=duty_factors,
    max_speed=st.floats(0.05, 0.3),
    max_yaw_rate=st.floats(0.3, 1.5),
    acceleration=st.floats(0.1, 0.6),
    yaw_acceleration=st.floats(0.5, 2.0),
    stand_time=st.just(0.5),
)

shifts = st.floats(-0.02, 0.02)
tilts = st.floats(-0.1, 0.1)
words = st.one_of(
    st.none(),
    st.sampled_from(['stand', 'crouch']),
    duty_factors,
    st.builds(
        Offset,
        st.tuples(shifts, shifts, st.floats(-0.02, 0.015)),
        st.tuples(tilts, tilts, st.floats(-0.15, 0.15)),
    ),
)
commands = st.one_of(
    st.just(Twist()),
    st.builds(Twist, st.floats(-0.3, 0.3), st.floats(-0.3, 0.3), st.floats(-2.0, 2.0)),
)
stories = st.lists(st.builds(Episode, words, commands, st.integers(1, 150)), min_size=2, max_size=5)


def lived(walker: Walker, story: Sequence[Episode]) -> Iterator[GaitSample]:
    """Stand up, then what the story tells, then stand again and walk."""
    yield walker.step(DT, Twist())
    walker.stand()
    for episode in (Episode(None, Twist(), 240), *story, Episode('stand', Twist(0.05), 150)):
        # What cannot be obeyed is refused, and the walk goes on.
        with suppress(CommandError):
            match episode.word:
                case 'stand':
                    walker.stand()
                case 'crouch':
                    walker.crouch()
                case float():
                    walker.set_duty_factor(episode.word)
                case Offset():
                    walker.offset_body(episode.word)
        for _ in range(episode.ticks):
            yield walker.step(DT, episode.command)


@dataclass
class Tick:
    """One tick as a listener sees it.

    Attributes
    ----------
    sample
        What the gait said.
    world
        Feet in `odom`, m, shape (legs, 3).
    angles
        Of the joints, rad, shape (legs, 3).

    """

    sample: GaitSample
    world: Floats
    angles: Floats
    standing: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        """Keep who stands as an array."""
        self.standing = np.array(self.sample.standing)


def seen(sample: GaitSample, legs: Sequence[LegSolver]) -> Tick:
    """Look at a tick; a foot out of reach or a joint beyond its limits raises."""
    motion = BodyMotion.of(sample)
    turn = euler2mat(*motion.rpy, axes='sxyz')
    world = np.array(sample.feet) @ turn.T + motion.position
    angles = np.array([leg.angles(foot) for leg, foot in zip(legs, sample.feet, strict=True)])
    return Tick(sample, world, angles)


@lru_cache(1000)
def fewest_down(robot_phases: Callable[[float], tuple[float, ...]], duty_factor: float) -> int:
    """Feet on the ground of the family at its worst instant."""
    touchdown = robot_phases(duty_factor)
    cycle = Cycle(1.0, duty_factor, touchdown)
    events = sorted({(t + s) % 1.0 for t in touchdown for s in (0.0, duty_factor)})
    middles = [(a + b) / 2.0 for a, b in pairwise([*events, events[0] + 1.0]) if b - a > 1e-6]
    return min(
        sum(not cycle.swinging(leg, phase) for leg in range(len(touchdown))) for phase in middles
    )


def check_life(robot: Robot, parameters: GaitParameters, story: Sequence[Episode]) -> None:
    """Live a life and look at every tick of it."""
    legs = leg_solvers(robot)
    if len(legs) == 4:
        # They balance on an edge.
        parameters = replace(parameters, min_margin=-0.08)
    walker = Walker(robot, legs, parameters, robot.resting.feet)

    def phases(duty_factor: float) -> tuple[float, ...]:
        return touchdown_phases(robot, duty_factor)

    speeds = np.array([[link.servo.speed for link in leg.links] for leg in robot.legs])
    before: Tick | None = None
    for sample in lived(walker, story):
        now = seen(sample, legs)
        if before is not None:
            rates = np.abs(now.angles - before.angles) / DT
            assert (rates <= parameters.speed_share * speeds * (1.0 + 1e-9)).all()
            both = now.standing & before.standing
            assert np.abs(now.world - before.world)[both].max(initial=0.0) < 1e-9
            moved = np.array(sample.feet) - before.sample.feet
            mean = 0.5 * DT * (np.array(sample.velocities) + before.sample.velocities)
            # A foot's acceleration changes by less than 20 m/s^2 in a tick: h^2/12 of it.
            assert np.abs(moved - mean).max() < 20.0 * DT**2 / 12.0
        assert np.abs(now.world[now.standing, 2]).max(initial=0.0) < 1e-9
        if sample.state in {GaitState.STANDING, GaitState.WALKING}:
            assert sample.margin >= parameters.min_margin - 1e-9
            assert sum(sample.standing) >= fewest_down(phases, sample.duty_factor)
        before = now


@settings(max_examples=settings().max_examples // 3)
@given(mounted=mounts, parameters=parameter_sets, story=stories)
def test_a_random_life(
    make_robot: Callable[[Sequence[tuple[float, float, float]]], Robot],
    mounted: list[tuple[float, float, float]],
    parameters: GaitParameters,
    story: list[Episode],
) -> None:
    """Targets in reach, joints in time, no slip, no jump, feet enough, margin kept."""
    check_life(make_robot(mounted), parameters, story)
