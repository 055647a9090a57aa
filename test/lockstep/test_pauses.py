# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whatever stops a walk for a while: it goes on as a walk, from where the robot is.

Judged by the pulses alone: the feet are where their joints were told to be, and the body has moved
over the feet that stand, by the rigid motion that fits them best (Kabsch, 1976, in the plane).
Which feet stand, the walk says.
"""

import random
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import combinations
from math import atan2, cos, dist, hypot, sin
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.driving import LATE, DrivingParameters
from leg_kinematics.chain.lockstep import LockStepParameters
from leg_kinematics.chain.values import NANOSECONDS, FootTargets, JointTargets
from leg_kinematics.chain.walking import WalkingParameters
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import GaitParameters, Twist
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import leg_solvers
from leg_kinematics.solver.motion.tracker import SLOWING_TIME

if TYPE_CHECKING:
    from test.watched import Happening, Placed, WatchedRobot, placed
else:
    from watched import Happening, Placed, WatchedRobot, placed

WALKS = {
    'forward': Twist(x=0.08),
    'sideways': Twist(y=0.04),
    'turning': Twist(x=0.03, yaw=0.25),
}
DUTY_FACTORS = {'tripod': 1.0 / 2.0, 'tetrapod': 2.0 / 3.0, 'wave': 5.0 / 6.0}

#: Of a cycle.
PHASES = 40

#: Instants at which a walking robot is released.
RELEASES = 1000

#: What a walk promises after a pause: how far a standing foot is dragged, and odometry is ahead, m.
DRAGGED = 0.001
AHEAD = 0.005

#: Where the body is at the end, beside where the walk says: pulses are rounded, m and rad.
ENDS_WITHIN = 0.003
TURNED_WITHIN = 0.01

#: A robot whose pulses have not changed for so long stands, s; odometry is as late as its news.
STILL_FOR = 0.1


def refuse(_: FootTargets) -> JointTargets:
    """Refuse everything."""
    raise CommandError('everything is refused')


Switch = Callable[[WatchedRobot, bool], None]


def forward(robot: WatchedRobot, cut: bool) -> None:  # noqa: FBT001
    """Lose what is sent to the bridge."""
    robot.life.forward_cut = cut


def backward(robot: WatchedRobot, cut: bool) -> None:  # noqa: FBT001
    """Lose what the bridge tells."""
    robot.life.backward_cut = cut


def both(robot: WatchedRobot, cut: bool) -> None:  # noqa: FBT001
    """Lose everything between the stages."""
    robot.life.forward_cut = robot.life.backward_cut = cut


def board(robot: WatchedRobot, cut: bool) -> None:  # noqa: FBT001
    """Cut the cable to the board."""
    robot.happen(Happening.CABLE_CUT if cut else Happening.CABLE_MENDED)


def parked(robot: WatchedRobot, cut: bool) -> None:  # noqa: FBT001
    """Deactivate the bridge."""
    robot.happen(Happening.DEACTIVATE if cut else Happening.ACTIVATE)


def refused(robot: WatchedRobot, cut: bool) -> None:  # noqa: FBT001
    """Have kinematics refuse everything."""
    stage = vars(robot.life.chain.solving)
    if cut:
        stage['solve'] = refuse
    else:
        del stage['solve']


#: What may stop a walk, and for how long it is tried, s.
PAUSES: dict[str, tuple[Switch, tuple[float, ...]]] = {
    'forward': (forward, (0.05, 0.15, 0.4, 1.3, 10.0)),
    'backward': (backward, (0.05, 0.25, 0.4, 1.3, 10.0)),
    'both': (both, (0.05, 0.15, 0.4, 1.3, 10.0)),
    'board': (board, (0.02, 0.06, 0.2, 0.35, 0.8, 2.0)),
    'parked': (parked, (0.02, 0.1, 0.5, 2.0)),
    'refused': (refused, (0.05, 0.15, 0.4, 1.3)),
}


@dataclass
class Figures:
    """The worst of some walks, m and s."""

    dragged: float = 0.0
    ahead: float = 0.0
    behind: float = 0.0
    in_the_air: float = 0.0
    where: dict[str, str] = field(default_factory=dict)

    def take(self, name: str, value: float, where: str) -> None:
        """Keep the worst."""
        if value > getattr(self, name):
            setattr(self, name, value)
            self.where[name] = where

    def __str__(self) -> str:
        """Put it in a line."""
        return (
            f'dragged {self.dragged * 1e3:.2f} mm, odometry ahead {self.ahead * 1e3:.2f} mm and '
            f'behind {self.behind * 1e3:.2f} mm, in the air beyond swing and pause '
            f'{self.in_the_air:.2f} s, {self.where}'
        )


class Onlooker:
    """Watches feet, body and odometry of a walk by its pulses."""

    def __init__(self, robot: WatchedRobot, description: Robot, maps: ServoMaps) -> None:
        """Begin where the robot is."""
        self.robot = robot
        self._maps = maps.maps
        self._limits = [(link.lower, link.upper) for leg in description.legs for link in leg.links]
        self._legs = leg_solvers(description)
        self._together: dict[tuple[int, int], float] = {}
        self._lifted: dict[int, float] = {}
        self._feet, self.pose = self.feet(), self.told()
        self._standing, self._touching = self.standing()
        self._odom: tuple[float, float, float] | None = None
        self._stamp = 0
        self._still_since = robot.life.now
        self.dragged = self.ahead = self.behind = self.in_the_air = 0.0

    def _placed(self) -> Placed:
        """Where the robot is in its walk, by what the bridge tells."""
        life = self.robot.life
        return placed(life.walking, life.driving.report().stamp)

    def told(self) -> tuple[float, float, float]:
        """Pose that the walk has where the robot is."""
        now = self._placed()
        a, b, share = now.before.pose, now.after.pose, now.share
        return (
            a.x + share * (b.x - a.x),
            a.y + share * (b.y - a.y),
            a.yaw + share * (b.yaw - a.yaw),
        )

    def standing(self) -> tuple[frozenset[int], frozenset[int]]:
        """Feet that stand where the robot is, and those too that lift or land at that moment."""
        now = self._placed()
        both = list(enumerate(zip(now.before.standing, now.after.standing, strict=True)))
        return (
            frozenset(leg for leg, stands in both if all(stands)),
            frozenset(leg for leg, stands in both if any(stands)),
        )

    def feet(self) -> tuple[Vector, ...]:
        """Where the feet are, by the pulses of the board; no joint is beyond its limits."""
        pulses = self.robot.outputs
        angles = []
        for each, (lower, upper) in zip(self._maps, self._limits, strict=True):
            angle = each.angle(pulses[each.board, each.channel])
            assert lower - 0.001 <= angle <= upper + 0.001
            angles.append(angle)
        return tuple(
            leg.foot((angles[3 * n], angles[3 * n + 1], angles[3 * n + 2]))
            for n, leg in enumerate(self._legs)
        )

    def run(self, seconds: float) -> None:
        """Watch for so many seconds."""
        for _ in range(round(seconds / self.robot.life.tick)):
            self.step()

    def step(self) -> None:
        """Watch a tick."""
        outcome = self.robot.step()
        if self.robot.reachable:
            self._see_feet()
        if outcome.walked is not None:
            for odom in outcome.walked.odometry:
                x, y, _ = odom.motion.position
                self._see_odometry(odom.stamp, (x, y, odom.motion.rpy[2]))

    def _see_feet(self) -> None:
        feet = self.feet()
        standing, touching = self.standing()
        through = standing & self._standing
        if feet != self._feet:
            self._still_since = self.robot.life.now
            # Where the tripods change, the feet of both are on the ground.
            self._see_body(feet, through or touching | self._touching)
        self._together = {p: d for p, d in self._together.items() if through.issuperset(p)}
        for one, other in combinations(sorted(through), 2):
            apart = dist(feet[one], feet[other])
            first = self._together.setdefault((one, other), apart)
            self.dragged = max(self.dragged, abs(apart - first))
        for leg in range(len(feet)):
            if leg in standing:
                if leg in self._lifted:
                    in_the_air = self.robot.life.now - self._lifted.pop(leg)
                    self.in_the_air = max(self.in_the_air, in_the_air)
            else:
                self._lifted.setdefault(leg, self.robot.life.now)
        self._feet, self._standing, self._touching = feet, standing, touching

    def _see_body(self, feet: tuple[Vector, ...], through: frozenset[int]) -> None:
        """Move the body as the standing feet say."""
        if feet == self._feet:
            return
        a = [self._feet[leg] for leg in sorted(through)]
        b = [feet[leg] for leg in sorted(through)]
        n = len(a)
        ax, ay = sum(p[0] for p in a) / n, sum(p[1] for p in a) / n
        bx, by = sum(p[0] for p in b) / n, sum(p[1] for p in b) / n
        pairs = [(p[0] - ax, p[1] - ay, q[0] - bx, q[1] - by) for p, q in zip(a, b, strict=True)]
        # A place of the body before, (ax, ay), is (bx, by) now: the body has turned by -turn.
        turn = atan2(
            sum(px * qy - py * qx for px, py, qx, qy in pairs),
            sum(px * qx + py * qy for px, py, qx, qy in pairs),
        )
        x, y, yaw = self.pose
        turned = yaw - turn
        self.pose = (
            x + cos(yaw) * ax - sin(yaw) * ay - cos(turned) * bx + sin(turned) * by,
            y + sin(yaw) * ax + cos(yaw) * ay - sin(turned) * bx - cos(turned) * by,
            turned,
        )

    def _see_odometry(self, stamp: int, pose: tuple[float, float, float]) -> None:
        """See that odometry goes on evenly, stands with the robot, and is where the robot is."""
        assert stamp > self._stamp, 'odometry goes back in time'
        self._stamp = stamp
        if self._odom is not None:
            tick = self.robot.life.tick
            way = hypot(pose[0] - self._odom[0], pose[1] - self._odom[1])
            assert way <= 0.13 * tick, f'odometry jumped by {way * 1e3:.2f} mm'
            assert abs(pose[2] - self._odom[2]) <= 0.65 * tick
            # News of where it has been before may come late.
            if stamp / NANOSECONDS > self._still_since + STILL_FOR:
                assert pose == self._odom, 'the robot stands, and odometry goes on'
        self._odom = pose
        yaw = self.pose[2]
        off = (pose[0] - self.pose[0], pose[1] - self.pose[1])
        twist = self.robot.life.command
        way_x = cos(yaw) * twist.x - sin(yaw) * twist.y
        way_y = sin(yaw) * twist.x + cos(yaw) * twist.y
        along = (off[0] * way_x + off[1] * way_y) / hypot(way_x, way_y)
        self.ahead = max(self.ahead, along)
        self.behind = max(self.behind, -along)


Begin = Callable[[str, str], list[WatchedRobot]]


@pytest.fixture(scope='module')
def begin(bracken: Robot, bracken_maps: ServoMaps) -> Begin:
    """Give a walking robot at so many phases of a cycle; each walk is begun once."""
    begun: dict[tuple[str, str], list[WatchedRobot]] = {}

    def begin(walk: str, gait: str) -> list[WatchedRobot]:
        if (walk, gait) in begun:
            return begun[walk, gait]
        duty = DUTY_FACTORS[gait]
        parameters = LockStepParameters(
            gait=GaitParameters(duty_factor=duty, slow_duty_factor=duty),
            walking=WalkingParameters(preview=0.07),
            driving=DrivingParameters(enable_interval=0.02),
            linked=True,
        )
        robot = WatchedRobot(bracken, bracken_maps, parameters)
        robot.bring_up()
        robot.stand_up()
        cycle = parameters.gait.swing_time / (1.0 - duty)
        robot.walk(WALKS[walk], 2.0 * cycle)
        phases = begun[walk, gait] = []
        began = robot.life.now
        for phase in range(PHASES):
            while robot.life.now < began + cycle * phase / PHASES - 1e-9:
                robot.step()
            phases.append(robot.copy())
        return phases

    return begin


def pause(
    robot: WatchedRobot, bracken: Robot, maps: ServoMaps, name: str, seconds: float
) -> Onlooker:
    """Let something stop a walk for a while, and see how it goes on."""
    switch, _ = PAUSES[name]
    onlooker = Onlooker(robot, bracken, maps)
    onlooker.run(0.05)
    switch(robot, True)  # noqa: FBT003
    onlooker.run(seconds)
    switch(robot, False)  # noqa: FBT003
    life = robot.life
    for _ in range(round(4.0 / life.tick)):
        onlooker.step()
        if life.walking.condition(life.now).state == 'walking':
            break
    assert life.walking.condition(life.now).state == 'walking'
    onlooker.run(1.5)
    told = onlooker.told()
    assert dist(told[:2], onlooker.pose[:2]) <= ENDS_WITHIN, (told, onlooker.pose)
    assert abs(told[2] - onlooker.pose[2]) <= TURNED_WITHIN
    return onlooker


#: From the end of what stopped a walk until it goes on, s: a lost board is looked for every 0.1 s,
#: and the robot is first led to stand where it is; slower joints than those of the swing come into
#: it as well.
GOES_ON_WITHIN = 0.6


def judge(figures: Figures, onlooker: Onlooker, name: str, seconds: float, where: str) -> None:
    """Judge a pause, and keep its figures."""
    beyond = onlooker.in_the_air - onlooker.robot.parameters.gait.swing_time - seconds
    figures.take('dragged', onlooker.dragged, where)
    figures.take('ahead', onlooker.ahead, where)
    figures.take('behind', onlooker.behind, where)
    figures.take('in_the_air', beyond, where)
    assert onlooker.dragged <= DRAGGED, where
    assert beyond <= GOES_ON_WITHIN, where
    # A board that takes no poses is noticed when it owes an answer; so far the joints are wrong.
    unnoticed = 0.0
    if name == 'board':
        twist = onlooker.robot.life.command
        unnoticed = hypot(twist.x, twist.y) * (LATE + SLOWING_TIME + onlooker.robot.life.tick)
    assert onlooker.ahead <= max(AHEAD, unnoticed + 0.001), where


@pytest.mark.parametrize('gait', DUTY_FACTORS)
@pytest.mark.parametrize('walk', WALKS)
def test_a_walk_goes_on_after_a_pause(
    begin: Begin, bracken: Robot, bracken_maps: ServoMaps, walk: str, gait: str
) -> None:
    """Every kind of pause, each at a phase of its own; the durations take turns."""
    figures = Figures()
    phases = begin(walk, gait)
    rng = random.Random(f'{walk} {gait}')
    for name, (_, durations) in PAUSES.items():
        seconds = rng.choice([each for each in durations if each <= 2.0])
        phase = rng.randrange(PHASES)
        onlooker = pause(phases[phase].copy(), bracken, bracken_maps, name, seconds)
        judge(figures, onlooker, name, seconds, f'{name} {seconds} s at phase {phase}')


@pytest.mark.parametrize('seconds', [0.01, 0.02, 0.03, 0.05])
def test_a_walk_goes_on_after_a_moment_of_rest(
    begin: Begin, bracken: Robot, bracken_maps: ServoMaps, seconds: float
) -> None:
    """Activated again while the joints are still coming to rest on their path."""
    phases = begin('sideways', 'tripod')
    for phase in range(0, PHASES, 7):
        onlooker = pause(phases[phase].copy(), bracken, bracken_maps, 'parked', seconds)
        judge(Figures(), onlooker, 'parked', seconds, f'{seconds} s at phase {phase}')


@pytest.mark.soak
@pytest.mark.timeout(3600)
@pytest.mark.parametrize('name', PAUSES)
def test_a_walk_goes_on_after_every_pause(
    begin: Begin, bracken: Robot, bracken_maps: ServoMaps, name: str
) -> None:
    """Every walk, every gait, every duration, at all phases of a cycle."""
    figures = Figures()
    count = 0
    for walk in WALKS:
        for gait in DUTY_FACTORS:
            phases = begin(walk, gait)
            for number, seconds in enumerate(PAUSES[name][1]):
                # All phases for some durations, a part of them for each.
                for phase in range(number % 3, PHASES, 3):
                    where = f'{walk} {gait} {name} {seconds} s at phase {phase}'
                    robot = phases[phase].copy()
                    onlooker = pause(robot, bracken, bracken_maps, name, seconds)
                    judge(figures, onlooker, name, seconds, where)
                    count += 1
    sys.stdout.write(f'\n{name}: {count} pauses: {figures}\n')


def test_a_release_takes_all_pulses_at_once(begin: Begin) -> None:
    """At 1000 instants of walks: in the same exchange, confirmed, and no pulse after it."""
    rng = random.Random(1)
    instants = 0
    while instants < RELEASES:
        robot = begin('forward', 'tripod')[rng.randrange(PHASES)].copy()
        for _ in range(20):
            robot.step()
            one = robot.copy()
            answer = one.order(Happening.RELEASE)
            assert answer.success
            assert one.outputs == {}
            one.step()
            assert one.outputs == {}
            instants += 1
