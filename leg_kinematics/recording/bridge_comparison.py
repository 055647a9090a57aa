# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A recorded bridge beside today's: joint targets in, joints out, through simulated boards.

Pulses are not recorded. What is compared is `joint_states`, the angles from which the servo maps
make them. Today's bridge ticks at the instants of their stamps, and between them, where the bridge
ticks without telling.

Where a stream was placed on the clock of the bridge depends on when its messages came there, which
a recording knows only for itself. But the bridge told how far in the stream the joints had come,
and by that each message begins when it did then. How streams are placed is not compared, and
neither are ticks in which the joints did not go on in the stream as time did: then the bridge
waited for its boards or made up for that, and how late boards were is not recorded.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, pairwise
from operator import itemgetter

from sensor_msgs.msg import JointState
from std_msgs.msg import Float64MultiArray
from trajectory_msgs.msg import JointTrajectory

from leg_kinematics.board import Boards, BoardSpec
from leg_kinematics.board.parameters import BoardsParameters
from leg_kinematics.board.simulated.line import SimulatedDriver, SimulatedLine
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.driving import Driving, DrivingParameters
from leg_kinematics.chain.lockstep import SERVO
from leg_kinematics.chain.outputs import pulse_limits
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import NANOSECONDS, JointTargets, RobotReport
from leg_kinematics.errors import BagError, CommandError, LegKinematicsError
from leg_kinematics.nodes.robot_broadcaster import ticks_a_report
from leg_kinematics.nodes.translation import messages
from leg_kinematics.nodes.translation.cdr import message_of
from leg_kinematics.parameters import Settings, parameters_of, validate
from leg_kinematics.recording.differences import Collected, Comparison
from leg_kinematics.recording.run import Run, stamp_of
from leg_kinematics.solver import Trajectory, posture_angles

#: The robot is brought up within this time, s.
BROUGHT_UP_WITHIN = 120.0

#: The bridge's own time begins there, s, since an instant of 0 may have a meaning of its own.
BEGINNING = 1.0

#: A report and joint states of one tick are sent within this, s.
ONE_TICK = 0.004

#: Joints go on in their stream as time does within this share: the bridge plays 1 % faster or
#: slower when the clock of a stream has changed.
AS_TIME_DOES = 0.02

#: Ticks that were told of into which such a time reaches.
REACHES = 3

#: Joints that were found in motion are compared after this, s: until then they fall in.
FALLING_IN = 1.0


@dataclass(frozen=True)
class _Told:
    """What the bridge told in a tick.

    Attributes
    ----------
    number
        Of its joint states among all, from 0.
    at
        Instant of the tick, ns of the clock of the stamps: in whole ns a message that begins in a
        tick does so in that tick, and not a rounding later.
    report
        What the robot did.
    positions, velocities
        Of the joints, rad and rad/s.

    """

    number: int
    at: int
    report: RobotReport
    positions: tuple[float, ...]
    velocities: tuple[float, ...]


def compare_bridge(run: Run, calibrated: CalibratedRobot, tolerance: float) -> Comparison:
    """Have today's bridge follow what it followed in a run.

    Parameters
    ----------
    run
        With the parameters of the bridge.
    calibrated
        The robot.
    tolerance
        Up to this an angle is the same, rad.

    Raises
    ------
    LegKinematicsError
        Its parameters are refused by today's code.

    """
    told = list(_told(run, calibrated.robot.joints))
    spans = list(_followed(told))
    targets = sorted(_targets(run, calibrated.robot.joints, told), key=itemgetter(0))
    left_out = [_not_compared(span, targets) for span in spans]
    collected = Collected('bridge', 'rad', tolerance, sum(map(len, left_out)))
    for span, ticks in zip(spans, left_out, strict=True):
        _follow(_Bridge(run, calibrated), span, targets, collected, ticks)
    return collected.comparison()


def _told(run: Run, joints: Sequence[str]) -> Iterator[_Told]:
    """Put together what was told in one tick."""
    reports = []
    for each in run.of('bridge/state'):
        try:
            numbers = message_of(each.data, Float64MultiArray).data
            reports.append((each.sent, messages.robot_report(numbers)))
        except CommandError:
            # It is no report; what it was, the recording says.
            continue
    sent = [at for at, _ in reports]
    for number, each in enumerate(run.of('joint_states')):
        index = bisect_right(sent, each.sent) - 1
        message = message_of(each.data, JointState)
        positions = messages.joint_positions(message, joints)
        late = each.sent - sent[index] if index >= 0 else ONE_TICK * NANOSECONDS
        if positions is None or late >= ONE_TICK * NANOSECONDS:
            continue
        velocities = dict(zip(message.name, message.velocity, strict=True))
        yield _Told(
            number,
            stamp_of(each),
            reports[index][1],
            positions,
            tuple(velocities[joint] for joint in joints),
        )


def _followed(told: Sequence[_Told]) -> Iterator[list[_Told]]:
    """Give the spans in which a bridge followed, without a loss of power between."""
    span: list[_Told] = []
    for before, each in pairwise([None, *told]):
        if each is None:
            continue
        report = each.report
        same = before is not None and (
            (before.report.session, before.report.losses) == (report.session, report.losses)
        )
        if span and not (same and report.state is PowerState.FOLLOWING and each.at > span[-1].at):
            yield span
            span = []
        if report.state is PowerState.FOLLOWING:
            span.append(each)
    if span:
        yield span


def _targets(
    run: Run, joints: Sequence[str], told: Sequence[_Told]
) -> Iterator[tuple[int, int, JointTargets]]:
    """Give when each message was heard, when it began, ns, and what it said."""
    stamps, offsets = _progress(told)
    for each in run.of('joint_trajectory'):
        try:
            targets = messages.joint_targets(message_of(each.data, JointTrajectory), joints)
        except CommandError:
            # The bridge refused it then, as it would today.
            continue
        start = each.received
        if targets.stamp and offsets:
            index = min(bisect_left(stamps, targets.stamp), len(stamps) - 1)
            start = targets.stamp + offsets[index]
        yield min(each.received, start), start, targets


def _progress(told: Sequence[_Told]) -> tuple[list[int], list[int]]:
    """Tell how much later than its stamp the joints came to an instant of the stream, ns."""
    stamps: list[int] = []
    offsets: list[int] = []
    for each in told:
        stamp = each.report.stamp
        if stamp is not None and (not stamps or stamp > stamps[-1]):
            stamps.append(stamp)
            offsets.append(each.at - stamp)
    return stamps, offsets


class _Bridge:
    """Today's bridge with the parameters of the run, and simulated boards."""

    def __init__(self, run: Run, calibrated: CalibratedRobot) -> None:
        robot, maps = calibrated.robot, calibrated.maps
        declared = parameters_of(DrivingParameters)
        known = run.parameters.get('bridge', {})
        given = {each.name: known[each.name] for each in declared if each.name in known}
        parameters = Settings(validate(declared, given)).of(DrivingParameters)
        self.tick = 1.0 / float(known.get('rate', BoardsParameters().rate))
        self.ticks_a_report = ticks_a_report(self.tick)
        self._lines = {name: SimulatedLine(SERVO) for name in maps.boards}
        self._boards = Boards(
            [BoardSpec(name, 'simulated', name) for name in maps.boards],
            pulse_limits(maps.maps),
            BoardsParameters().silence,
            new_driver=lambda port: SimulatedDriver(self._lines[port]),
            threads=False,
        )
        self._driving = Driving(
            robot,
            maps.maps,
            posture_angles(robot, calibrated.legs, 'resting'),
            replace(parameters, enable_interval=0.0),
            self._boards,
            session=1,
        )
        self.joints = robot.joints
        self.instant = run.instant
        # Its own time, s, less that of the run.
        self._ahead = 0.0

    @property
    def positions(self) -> tuple[float, ...]:
        return self._driving.positions

    def step(self, at: int) -> None:
        """Tick at an instant of the run, ns."""
        self._tick(self.instant(at) + self._ahead)

    def _tick(self, now: float) -> None:
        for line in self._lines.values():
            line.advance(now)
        self._boards.step()
        self._driving.step(now)

    def follow(self, targets: JointTargets, start: int) -> None:
        """Take targets that begin at an instant of the run, ns."""
        self._driving.follow(targets, self.instant(start) + self._ahead, at_once=True)

    def bring_up(self, positions: tuple[float, ...], until: int) -> None:
        """Have the joints at rest where they are to be at an instant of the run, ns.

        Raises
        ------
        BagError
            They do not come there.

        """
        driving, still = self._driving, (0.0,) * len(positions)
        goal = JointTargets(0, Trajectory((0.0,), (positions,), (still,)))
        driving.configure()
        now = BEGINNING
        while (
            driving.state is not PowerState.FOLLOWING
            or driving.positions != positions
            or any(driving.velocities)
        ):
            if now > BROUGHT_UP_WITHIN:
                raise BagError(
                    "today's bridge cannot have the joints where they were at the beginning: "
                    f'{driving.condition()}'
                )
            now += self.tick
            if not driving.active and self._boards.status().found:
                driving.activate()
            if driving.state is PowerState.FOLLOWING:
                driving.follow(goal, now, at_once=True)
            self._tick(now)
        self._ahead = now + self.tick - self.instant(until)


def _follow(
    bridge: _Bridge,
    span: Sequence[_Told],
    targets: Sequence[tuple[int, int, JointTargets]],
    collected: Collected,
    left_out: frozenset[int],
) -> None:
    """Follow a span, and compare its ticks but for those that are left out."""
    first = span[0]
    bridge.bring_up(first.positions, first.at)
    joints = [(joint, 0) for joint in bridge.joints]
    following = iter(
        each for each in targets if each[1] + each[2].trajectory.end * NANOSECONDS >= first.at
    )
    coming = next(following, None)
    direct = [start for _, start, each in targets if not each.trajectory.end]
    for index, (before, each) in enumerate(pairwise([first, *span])):
        for now in _ticks(before.at, each.at, bridge.ticks_a_report, direct):
            while coming is not None and coming[0] <= now:
                _take(bridge, coming, collected)
                coming = next(following, None)
            bridge.step(now)
        if index in left_out:
            continue
        collected.add(
            bridge.instant(each.at),
            each.number,
            joints,
            [(angle,) for angle in each.positions],
            [(angle,) for angle in bridge.positions],
        )


def _not_compared(
    span: Sequence[_Told], targets: Sequence[tuple[int, int, JointTargets]]
) -> frozenset[int]:
    """Name the ticks that cannot be compared, by their places in a span.

    These are those of joints that were found in motion until they have fallen in, and those in
    which the bridge waited or made up for it, with the next ones, into which that reaches.
    """
    heard = [at for at, _, _ in targets]
    newest = list(accumulate((each.stamp for _, _, each in targets), max))
    found = set()
    if any(span[0].velocities):
        found |= {i for i, t in enumerate(span) if t.at - span[0].at < FALLING_IN * NANOSECONDS}
    for index, (before, each) in enumerate(pairwise(span), start=1):
        stamps = (before.report.stamp, each.report.stamp)
        if stamps[0] is None or stamps[1] is None:
            continue
        passed = each.at - before.at
        uneven = abs(stamps[1] - stamps[0] - passed) > AS_TIME_DOES * passed
        known = bisect_right(heard, each.at)
        goes_on = known > 0 and newest[known - 1] > stamps[1]
        if uneven and (goes_on or any(before.velocities) or any(each.velocities)):
            found |= set(range(index, min(index + REACHES, len(span))))
    return frozenset(found)


def _ticks(before: int, at: int, count: int, direct: Sequence[int]) -> list[int]:
    """Give the ticks after one that was told of, to the next one that was, ns.

    Where the stages are in one process their messages are single points, each of a tick. Otherwise
    when the bridge ticked between is not known.
    """
    between = direct[bisect_right(direct, before) : bisect_left(direct, at)]
    if len(between) == count - 1:
        return [*between, at]
    return [before + (at - before) * number // count for number in range(1, count + 1)]


def _take(bridge: _Bridge, coming: tuple[int, int, JointTargets], collected: Collected) -> None:
    _, start, targets = coming
    try:
        bridge.follow(targets, start)
    except LegKinematicsError as error:
        collected.refuse(bridge.instant(start), str(error))
