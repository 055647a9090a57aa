# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A recorded run beside what today's code makes of it, stage by stage.

Each stage gets what it got then, at the recorded instants of receipt, and what it gives is held
against what it gave. So a difference in one stage does not spread into the next, and it is told
where it arose. Nothing here reads a clock: the same recording gives the same result to the last
bit.

The ticks of the gait are those of the stamps of its recorded targets. Where it sent none, it ticked
on at its rate.
"""

import io
import pickle
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from math import inf
from operator import itemgetter
from types import FunctionType
from typing import Any, cast

import numpy as np
from geometry_msgs.msg import PoseStamped, Twist, TwistStamped
from sensor_msgs.msg import JointState, MultiDOFJointState
from std_msgs.msg import Bool, Float64, Float64MultiArray
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.solving import Solving, SolvingParameters
from leg_kinematics.chain.values import NANOSECONDS, FootTargets, RobotReport
from leg_kinematics.chain.walk import Tick
from leg_kinematics.chain.walking import Walking, WalkingParameters
from leg_kinematics.errors import BagError, CommandError, LegKinematicsError
from leg_kinematics.gait import GaitParameters
from leg_kinematics.gait.envelope import Envelope, Envelopes
from leg_kinematics.nodes.running.catalogue import GAIT, KINEMATICS
from leg_kinematics.nodes.translation import messages
from leg_kinematics.parameters import Parameter, Settings, validate
from leg_kinematics.recording.bridge_comparison import compare_bridge
from leg_kinematics.recording.differences import Collected, Comparison
from leg_kinematics.recording.run import Run, robot_of, stamp_of
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver

#: A walk begins with the tick of its order, which the recording hears of a little later, s.
BEGINS_WITHIN = 0.1

#: Has the gait hear something at an instant, s.
Take = Callable[[Walking, float], object]

#: What was recorded may have come to the gait earlier or later than to the recording, in ticks: the
#: bridge reports of every second tick, and in one process each tick is heard of at once. Where the
#: targets are not the same, it is tried whether they would be then.
SHIFTS = (1, 2, -1)

#: The gait gives the same bits whenever it heard the same; m.
SAME = 1e-14

#: Values that never change need not be copied with the gait.
SHARED = (FunctionType, Robot, LegSolver, Tick, Envelope, Envelopes, RobotReport)


def compare(run: Run, foot_tolerance: float, joint_tolerance: float) -> list[Comparison]:
    """Have today's gait, kinematics and bridge do what they did in a run.

    Parameters
    ----------
    run
        With the files of the robot and the parameters of the nodes.
    foot_tolerance, joint_tolerance
        Up to this a foot, m, and an angle, rad, are the same.

    Raises
    ------
    BagError
        The recording lacks what is needed; says what.
    LegKinematicsError
        Its files or parameters are refused by today's code.

    """
    calibrated = _robot_of(run)
    found = []
    if run.of('foot_targets'):
        found.append(_compare_gait(run, calibrated, foot_tolerance))
    if run.of('joint_trajectory'):
        found.append(_compare_kinematics(run, calibrated, joint_tolerance))
    if run.of('joint_trajectory') and run.of('joint_states'):
        found.append(compare_bridge(run, calibrated, joint_tolerance))
    if not found:
        raise BagError('the recording has neither foot_targets nor joint_trajectory to compare')
    return found


def _robot_of(run: Run) -> CalibratedRobot:
    """Read the robot of a run whose parameters are known."""
    if not run.parameters:
        raise BagError(
            'the recording does not have parameters.yaml of its run: record with leg-kinematics '
            'record while all nodes run'
        )
    return robot_of(run)


def _settings_of(run: Run, node: str, declared: Sequence[Parameter]) -> Settings:
    """Take the parameters that a node had."""
    return Settings(validate(declared, run.parameters.get(node, {})))


# ---- the gait


def _compare_gait(run: Run, calibrated: CalibratedRobot, tolerance: float) -> Comparison:
    begun = min((o.at for o in run.orders if o.name == 'gait/stand' and o.level == 0), default=None)
    recorded = [
        (each.sent, stamp_of(each), messages.foot_targets(message))
        for each, (_, message) in zip(
            run.of('foot_targets'), run.read('foot_targets', MultiDOFJointTrajectory), strict=True
        )
        # What the gait did before was decided before the recording.
        if begun is not None and run.instant(each.sent) > begun
    ]
    collected = Collected('gait', 'm', tolerance, len(run.of('foot_targets')) - len(recorded))
    if not recorded:
        return collected.comparison()
    given = _Gait(run, calibrated, recorded).targets()
    for tick, ((_, stamp, then), today) in enumerate(zip(recorded, given, strict=True)):
        at = run.instant(stamp)
        if today is None:
            collected.refuse(at, 'the gait sends nothing')
        else:
            names = [(leg, point) for point in range(len(then.times)) for leg in then.legs]
            rows = [tuple(foot) for feet in then.feet for foot in feet]
            collected.add(at, tick, names, rows, [tuple(f) for feet in today.feet for f in feet])
    return collected.comparison()


class _Gait:
    """Today's gait in a recorded run."""

    def __init__(
        self,
        run: Run,
        calibrated: CalibratedRobot,
        recorded: Sequence[tuple[int, int, FootTargets]],
    ) -> None:
        settings = _settings_of(run, 'gait', GAIT)
        walking = settings.of(WalkingParameters)
        # Where the stages are in one process, there is no preview.
        if len(recorded[-1][2].times) == 1:
            walking = replace(walking, preview=0.0)
        self._run = run
        self._legs = calibrated.robot.leg_names
        self._stage = Walking(
            calibrated.robot,
            calibrated.legs,
            settings.of(GaitParameters),
            walking,
            calibrated.maps.not_wired_in_words,
        )
        self._tick = 1.0 / walking.rate
        self._ticks = [(sent, run.instant(stamp), then) for sent, stamp, then in recorded]
        self._period = round(self._tick * NANOSECONDS)
        self._heard = 0
        self._ticked_at = -inf
        self._inputs = sorted(self._all_inputs(), key=itemgetter(0))

    def targets(self) -> Iterator[FootTargets | None]:
        """Give what today's gait sends in the ticks of the recorded messages."""
        for sent, now, then in self._ticks:
            before = (_frozen(self._stage), self._ticked_at, self._heard)
            found = self._hear_and_tick(sent, now)
            if not _same(found, then):
                whole = (self._stage, self._ticked_at, self._heard)
                for shift in SHIFTS:
                    frozen, self._ticked_at, self._heard = before
                    self._stage = frozen()
                    otherwise = self._hear_and_tick(sent + shift * self._period, now)
                    if _same(otherwise, then):
                        found = otherwise
                        break
                else:
                    self._stage, self._ticked_at, self._heard = whole
            yield found

    def _hear_and_tick(self, until: int, now: float) -> FootTargets | None:
        """Have the gait hear what came until then, ns, and tick at an instant, s."""
        while self._heard < len(self._inputs) and self._inputs[self._heard][0] <= until:
            received, take = self._inputs[self._heard]
            self._heard += 1
            heard = min(self._run.instant(received), now)
            self._tick_until(heard)
            self._take(take, heard, now)
        self._tick_until(now)
        self._ticked_at = now
        walked = self._stage.step(now, self._run.start)
        return None if walked is None else walked.targets

    def _take(self, take: Take, heard: float, now: float) -> None:
        """Have the gait hear something; it notes what it refuses, as it did then."""
        begins = take is Walking.stand and self._stage.walk is None
        at = now if begins and now - heard < BEGINS_WITHIN else heard
        try:
            take(self._stage, at)
        except CommandError as error:
            self._stage.refuse(error, at)

    def _tick_until(self, now: float) -> None:
        """Have the gait tick on in a pause, in which it goes by what it hears."""
        walk = self._stage.walk
        while walk is not None and walk.paused and now - self._ticked_at > 1.5 * self._tick:
            self._ticked_at = max(self._ticked_at, now - 1.0) + self._tick
            self._stage.step(self._ticked_at, self._run.start)
            walk = self._stage.walk

    def _all_inputs(self) -> Iterator[tuple[int, Take]]:
        """Give what the gait heard, by the instants of receipt, ns."""
        run = self._run
        twist = run.parameters.get('gait', {}).get('cmd_vel_type') == 'Twist'
        kinds: dict[str, tuple[type[Any], Callable[[Any, Walking, float], object]]] = {
            'cmd_vel': (
                Twist if twist else TwistStamped,
                lambda m, stage, now: stage.command(messages.body_twist(m), now),
            ),
            'body_offset': (
                PoseStamped,
                lambda m, stage, now: stage.order_offset(messages.body_offset(m), now),
            ),
            'gait/duty_factor': (Float64, lambda m, stage, _: stage.set_duty_factor(m.data)),
            'bridge/limits': (
                JointTrajectory,
                lambda m, stage, _: stage.heed(messages.joint_limits(m)),
            ),
            'bridge/state': (
                Float64MultiArray,
                lambda m, stage, now: stage.hear(messages.robot_report(m.data), now),
            ),
            'foot_states': (MultiDOFJointState, self._locate),
        }
        for leg, name in enumerate(self._legs):
            kinds[f'contacts/{name}'] = (Bool, partial(_touch, leg))
        for topic, (kind, hear) in kinds.items():
            for message, (_, value) in zip(run.of(topic), run.read(topic, kind), strict=True):
                yield message.received, partial(hear, value)
        orders: dict[str, Take] = {
            'gait/stand': Walking.stand,
            'gait/crouch': lambda stage, _: stage.crouch(),
            'gait/hand_over': lambda stage, _: stage.hand_over(),
        }
        for message, order in zip(run.of('orders'), run.orders, strict=True):
            if order.level == 0 and order.name in orders:
                yield message.received, orders[order.name]

    def _locate(self, message: MultiDOFJointState, stage: Walking, now: float) -> None:
        feet = messages.feet_of(message, self._legs)
        if feet is not None:
            stage.locate(feet, now)


def _touch(leg: int, message: Bool, stage: Walking, _: float) -> None:
    stage.touch(leg, message.data)


def _same(today: FootTargets | None, then: FootTargets) -> bool:
    """Tell whether feet are the same to the last bits."""
    return (
        today is not None
        and np.shape(today.feet) == np.shape(then.feet)
        and bool(np.abs(np.subtract(today.feet, then.feet)).max() <= SAME)
    )


# ---- the kinematics


def _compare_kinematics(run: Run, calibrated: CalibratedRobot, tolerance: float) -> Comparison:
    settings = _settings_of(run, 'kinematics', KINEMATICS)
    robot = calibrated.robot
    stage = Solving(robot, calibrated.legs, settings.of(SolvingParameters))
    for _, limits in run.read('bridge/limits', JointTrajectory):
        stage.heed(messages.joint_limits(limits))
    asked = {
        stamp_of(each): message
        for each, (_, message) in zip(
            run.of('foot_targets'), run.read('foot_targets', MultiDOFJointTrajectory), strict=True
        )
    }
    located = deque(run.read('joint_states', JointState))
    answers = [
        (run.instant(each.sent), stamp_of(each), message)
        for each, (_, message) in zip(
            run.of('joint_trajectory'), run.read('joint_trajectory', JointTrajectory), strict=True
        )
    ]
    known = [answer for answer in answers if answer[1] in asked]
    collected = Collected('kinematics', 'rad', tolerance, len(answers) - len(known))
    for tick, (sent, stamp, then) in enumerate(known):
        while located and located[0][0] <= sent:
            positions = messages.joint_positions(located.popleft()[1], robot.joints)
            if positions is not None:
                stage.locate(positions)
        at = run.instant(stamp)
        try:
            today = stage.solve(messages.foot_targets(asked[stamp])).trajectory
        except LegKinematicsError as error:
            collected.refuse(at, str(error))
            continue
        names = [(joint, point) for point in range(len(then.points)) for joint in robot.joints]
        order = [list(then.joint_names).index(joint) for joint in robot.joints]
        rows = [(point.positions[place],) for point in then.points for place in order]
        collected.add(at, tick, names, rows, [(q,) for row in today.positions for q in row])
    return collected.comparison()


def _frozen(stage: Walking) -> Callable[[], Walking]:
    """Keep a gait as it is now; gives another one of the same past whenever it is called."""
    shared: dict[int, Any] = {}

    class Freezer(pickle.Pickler):
        def persistent_id(self, value: object) -> int | None:
            if not isinstance(value, SHARED):
                return None
            shared[id(value)] = value
            return id(value)

    class Thawer(pickle.Unpickler):  # noqa: S301  of what was just made here
        def persistent_load(self, number: int) -> Any:  # noqa: ANN401
            return shared[number]

    stream = io.BytesIO()
    Freezer(stream, protocol=pickle.HIGHEST_PROTOCOL).dump(stage)
    return lambda: cast('Walking', Thawer(io.BytesIO(stream.getvalue())).load())
