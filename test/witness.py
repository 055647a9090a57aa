# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whoever operates a chain in a test also witnesses that no servo was ever told to jump.

The board's log knows what arrived, but on a busy machine a pose is late or lost on the way. When
each was meant the bridge tells: every second one is in ``joint_states``, with the instant that it
is for. By these instants the limits of speed and acceleration hold to rounding.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import combinations, pairwise
from pathlib import Path
from time import CLOCK_MONOTONIC, CLOCK_REALTIME, clock_gettime, monotonic
from typing import TYPE_CHECKING

import numpy as np
import pytest
from diagnostic_msgs.msg import DiagnosticArray
from numpy.typing import NDArray
from rclpy.serialization import deserialize_message
from sensor_msgs.msg import JointState
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory

from leg_kinematics.board import Record
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.driving import DrivingParameters
from leg_kinematics.chain.power import PowerState
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.taking_part.operator import READY, Operator
from leg_kinematics.nodes.taking_part.participant import RECORDED, NoAnswerError
from leg_kinematics.nodes.translation.messages import seconds_of
from leg_kinematics.robot import Robot
from leg_kinematics.solver.motion.tracker import SILENT_AFTER

if TYPE_CHECKING:
    from rclpy.subscription import MessageInfo

Array = NDArray[np.float64]

HALF_QUANTUM = 0.25 + 1e-6
"""us by which a pulse on the line may differ from the one meant."""

AT_ONCE = 0.005
"""s by which a pose may seem to arrive before it was meant, when the system's clock is slewed."""

AFTER_ALL = 0.5
"""s after which a pose cannot still be on its way."""

LOST = 'lost board'
"""Words of a bridge that holds because a board is away."""

PAUSE = SILENT_AFTER + 0.04
"""s between poses that mean that the bridge itself was away, and starts from rest."""

LONG_TICK = 0.02
"""s from one pose of the bridge to the next, at most when it is not away."""

LATE = 0.01
"""s that the first pose after that may have been on its way to the board."""

A_STEP = 1.2
"""s in which every leg makes a step."""

WALKING_US = 20.0
"""us, of which the pulse of every channel sweeps more in a step."""

LONGEST_WAIT = 0.06
"""s for a new message that the preview of 0.07 s bridges."""

CATCH_UP = 1.0
"""s in which the joints are back in the stream, at 1 rad/s."""

BEFORE = 0.1
"""s for which what was told ahead of a gap may differ from what came after it."""

ON_GROUND = 0.5e-3
"""m above the lowest foot; what is higher is in the air. Rounding of three pulses is less."""

QUIET = 0.2
"""s of the same pulses that tell a robot which holds still from one that walks."""

TOLD = 10
"""Poses that there must be in a time for that to mean something."""

STILL = 30
"""Poses in which a robot that is led would be seen to move."""


@dataclass(frozen=True)
class Said:
    """What a node has said of itself, and when."""

    time: float
    """Of the monotonic clock, when the node said so, s."""
    node: str
    words: str
    values: Mapping[str, str]


class PulseLog:
    """What a mock was told, read on from where it was read before.

    Parameters
    ----------
    path
        Of its log.

    """

    def __init__(self, path: Path) -> None:
        """Read nothing yet."""
        self._path = path
        self._read = 0
        self._records: list[Record] = []

    def records(self, since: float = 0.0) -> list[Record]:
        """Give all that has happened at the board since a time, s."""
        with self._path.open('rb') as file:
            file.seek(self._read)
            *lines, _ = file.read().split(b'\n')
        self._read += sum(len(line) + 1 for line in lines)
        self._records += [Record.from_line(line.decode()) for line in lines]
        return [record for record in self._records if record.time >= since]

    def poses(self, since: float = 0.0) -> list[Record]:
        """Give the poses that the board was told since a time, s."""
        return [record for record in self.records(since) if record.event == 'pose']


class Witness(Operator):
    """An operator who records as well what the nodes say and what the bridge says it does.

    What another process does takes the time that the machine gives it. So this operator goes on
    until it is done, instead of looking after a while.

    Attributes
    ----------
    joint_states
        Every message received, in its serialised form.
    joint_trajectories
        The same, and when each was sent, s.
    said
        Every status of every node.

    """

    #: For a machine that is busy with other tests, s.
    patience = 60.0

    def __init__(self, namespace: str) -> None:
        """Listen from the beginning."""
        super().__init__(namespace)
        self.joint_states: list[bytes] = []
        self.joint_trajectories: list[tuple[bytes, float]] = []
        self.said: list[Said] = []
        self.node.create_subscription(
            JointTrajectory,
            'joint_trajectory',
            self._on_joint_trajectory,
            RECORDED,
            raw=True,
        )
        self.node.create_subscription(
            JointState, 'joint_states', self.joint_states.append, RECORDED, raw=True
        )

    def _on_joint_trajectory(self, message: bytes, info: 'MessageInfo') -> None:
        self.joint_trajectories.append((message, 1e-9 * info['source_timestamp']))

    def _on_diagnostics(self, message: DiagnosticArray) -> None:
        super()._on_diagnostics(message)
        time = seconds_of(message.header.stamp) - _clock_offset()
        prefix = self.node.get_namespace() + '/'
        for status in message.status:
            if status.name.startswith(prefix):
                values = {value.key: value.value for value in status.values}
                name = status.name.removeprefix(prefix)
                self.said.append(Said(time, name, status.message, values))

    def drive_until(self, twist: Twist, condition: Callable[[], bool], what: str) -> None:
        """Go on commanding until something is true.

        Raises
        ------
        NoAnswerError
            It was not in time.

        """
        end = monotonic() + self.patience
        while not condition():
            if monotonic() > end:
                raise NoAnswerError(
                    f'{what} did not happen within {self.patience:g} s; the nodes say {self.states}'
                )
            self.drive(twist, 0.05, what)

    def drive_until_said(self, twist: Twist, since: float, node: str, words: str) -> Said:
        """Go on commanding until a node has said these words at or after a time; return how."""
        found: list[Said] = []

        def heard() -> bool:
            found[:] = [
                each
                for each in self.said
                if each.time >= since and each.node == node and words in each.words
            ]
            return bool(found)

        self.drive_until(twist, heard, f"'{words}' of {node}")
        return found[0]

    @contextmanager
    def seeing_anew(self, service: str) -> Iterator[None]:
        """See that a service is offered once more than before.

        Of a node that was killed the graph still shows the services, and nobody hears a call
        before the new node has been found.
        """
        known = self.node.count_services(service)
        yield
        self.spin(lambda: self.node.count_services(service) > known, f'{service} again')

    def forget(self) -> None:
        """Begin anew with all that is recorded, and with what the nodes said last."""
        for records in (
            self.foot_targets,
            self.odometry,
            self.joint_states,
            self.joint_trajectories,
            self.said,
        ):
            records.clear()
        self.lose_sight()

    def lose_sight(self) -> None:
        """Forget what the nodes said last, for some of them are about to be others."""
        self.states.clear()
        self.values.clear()
        self.report = None

    def rearm(self) -> None:
        """Rearm the bridge, which refuses until every board has confirmed its release."""

        def rearmed() -> bool:
            with suppress(NoAnswerError):
                self.call('bridge/rearm')
                return True
            return False

        self.spin(rearmed, 'bridge/rearm')

    def stand_again(self) -> None:
        """Stand up once the legs have their pulses and the gait knows of it."""
        self.wait_for_power(PowerState.FOLLOWING)
        self.wait_for('gait', READY)
        self.stand()

    def fed(self, times: Array) -> NDArray[np.bool_]:
        """Tell at which times, of the monotonic clock, the stream to the board was whole.

        When the machine lets the gait or the kinematics wait, the next trajectory is sent after
        the preview of the one before has ended; when it lets the bridge wait, there is a gap in
        its stamps. Then the joints have to catch up. A tick of the gait that took longer than it
        can make up for leaves a gap in its stamps, and none in its walk.
        """
        trajectories = [
            (seconds_of(deserialize_message(each, JointTrajectory).header.stamp), sent)
            for each, sent in self.joint_trajectories
        ]
        states, targets = (
            [seconds_of(deserialize_message(each, kind).header.stamp) for each in messages]
            for messages, kind in (
                (self.joint_states, JointState),
                (self.foot_targets, MultiDOFJointTrajectory),
            )
        )
        waits = [(stamp, sent) for (stamp, _), (_, sent) in pairwise(trajectories)]
        waits += [*pairwise(states), *pairwise(targets)]
        waits = [(begin, end) for begin, end in waits if end - begin > LONGEST_WAIT]
        offset = _clock_offset()
        waits += [
            (each.time + offset, each.time + offset)
            for each in self.said
            if each.node == 'gait' and each.words.startswith('paused')
        ]
        fed = np.ones(len(times), dtype=bool)
        for begin, end in waits:
            fed[(times > begin - offset - BEFORE) & (times < end - offset + CATCH_UP)] = False
        return fed

    def walk_on(
        self, twist: Twist, poses: Callable[[float], Sequence[Record]], channels: int
    ) -> None:
        """Go on commanding until every channel has been told to walk from now on."""
        start = monotonic()
        self.drive(twist, A_STEP, 'walking on')

        def all_walk() -> bool:
            told = told_since(poses(start), start)
            sweeps = [max(pulses) - min(pulses) for pulses in told.values()]
            return len(sweeps) == channels and min(sweeps) > WALKING_US

        self.drive_until(twist, all_walk, 'a step of every leg')

    def see_hold(
        self, twist: Twist, poses: Callable[[float], Sequence[Record]], channels: int
    ) -> None:
        """Go on commanding, in vain: the servos come to hold still, and do so for a while."""

        def quiet() -> bool:
            records = poses(0.0)
            return hold(told_since(records, records[-1].time - QUIET))

        def hold(told: Mapping[int, Sequence[float]]) -> bool:
            return (
                len(told) == channels
                and min(map(len, told.values())) >= TOLD
                and all(len(set(pulses)) == 1 for pulses in told.values())
            )

        self.drive_until(twist, quiet, 'holding still')
        self.see_still(twist, poses, poses(0.0)[-1].time)

    def see_still(
        self, twist: Twist, poses: Callable[[float], Sequence[Record]], since: float
    ) -> None:
        """Go on commanding, in vain: every servo is told the same and the same again."""
        start = poses(since)[-1].time
        self.drive_until(twist, lambda: len(poses(start)) > STILL, 'poses that hold')
        for channel, pulses in told_since(poses(since), since).items():
            assert len(set(pulses)) == 1, f'channel {channel} was told to move'


def worst_drag(feet: Array) -> float:
    """By how much two standing feet have come nearer or farther from each other while they stood.

    Whatever the instants of the poses: ground does not stretch.

    Parameters
    ----------
    feet
        In `base_link`, which stays level, m, one row a pose, shape (n, legs, 3).

    Returns
    -------
    float
        m.

    """
    heights = feet[:, :, 2]
    stands = heights < heights.min(axis=1, keepdims=True) + ON_GROUND
    worst = 0.0
    for i, j in combinations(range(feet.shape[1]), 2):
        both = np.concatenate([[False], stands[:, i] & stands[:, j], [False]])
        apart = np.linalg.norm(feet[:, i] - feet[:, j], axis=1)
        edges = np.flatnonzero(np.diff(both.astype(int)))
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            worst = max(worst, float(np.abs(apart[begin:end] - apart[begin]).max()))
    return worst


def told_since(poses: Sequence[Record], start: float) -> dict[int, list[float]]:
    """Pulses that each channel was told after a time, us."""
    told: dict[int, list[float]] = {}
    for record in poses:
        if record.time > start:
            for channel, pulse in record.pulses_us.items():
                told.setdefault(channel, []).append(pulse)
    return told


def _clock_offset() -> float:
    """By how much the system's clock is ahead of the monotonic one, s."""
    return clock_gettime(CLOCK_REALTIME) - clock_gettime(CLOCK_MONOTONIC)


@pytest.fixture(scope='session')
def pulse_log() -> Callable[[Path], PulseLog]:
    """Read the logs of mocks."""
    return PulseLog


@pytest.fixture(scope='session')
def drag() -> Callable[[Array], float]:
    """Give `worst_drag`."""
    return worst_drag


@pytest.fixture(scope='session')
def new_witness() -> Callable[[str], Witness]:
    """Make witnesses; whoever does closes them."""
    return Witness


class _Meant:
    """The poses that the bridge said it means, and the instants that they are for."""

    def __init__(self, witness: Witness, maps: ServoMaps) -> None:
        messages = [deserialize_message(each, JointState) for each in witness.joint_states]
        offset = _clock_offset()
        self.times = np.array([seconds_of(each.header.stamp) - offset for each in messages])
        self._losses = np.array(
            [each.time for each in witness.said if LOST in each.words and each.node == 'bridge']
        )
        order = [messages[0].name.index(each.joint) for each in maps.maps]
        self._pulses = np.array(
            [
                [m.pulse_us(each.position[i]) for m, i in zip(maps.maps, order, strict=True)]
                for each in messages
            ]
        )

    def like(self, pulses: Array, first: int, last: int) -> list[int]:
        """Find those from the first up to but without the last that have these pulses."""
        same = np.abs(self._pulses[first:last] - pulses).max(axis=1, initial=0.0) <= HALF_QUANTUM
        return [first + int(index) for index in np.flatnonzero(same)]

    def within(self, earliest: float, latest: float) -> tuple[int, int]:
        """Give the bounds of those for this span of time."""
        first, last = np.searchsorted(self.times, [earliest, latest])
        return int(first), int(last)

    def interrupted(self, first: int, last: int) -> bool:
        """Whether the bridge was away or had lost a board between two of them."""
        span = self.times[first : last + 1]
        lost = (self._losses >= span[0]) & (self._losses <= span[-1])
        return bool(np.diff(span).max() > PAUSE or lost.any())


@dataclass(frozen=True)
class _Known:
    """A pose at the board whose instant is known."""

    index: int
    """Of its instant."""
    angles: Array
    speeds: Array
    """Mean of each joint over the span before; NaN where it is not known."""
    span: float
    """How long that was, s; 0 where the joints were at rest."""


def _last_rest(
    told: Sequence[Record],
    meant: _Meant,
    last: int,
    latest: int,
    pulses_of: Callable[[Record], Array],
    *,
    follows: Callable[[Record, Record], bool],
) -> tuple[int, float] | None:
    """Find from which pose and when the joints last started from rest, if they did.

    They rest at a pose that the bridge means again after it has arrived. After a while in which
    the bridge itself was away, or a board was, they rest at the pose before.
    """
    for index in reversed(range(len(told) - 1)):
        like = meant.like(pulses_of(told[index]), last + 1, latest)
        if like:
            return index, float(meant.times[like[-1]])
    if meant.times[latest] - meant.times[last] <= PAUSE or not meant.interrupted(last, latest):
        return None
    pauses = [later.time - earlier.time for earlier, later in pairwise(told)]
    longest = max(range(len(pauses)), key=pauses.__getitem__)
    index, again = (longest, longest + 1) if pauses[longest] > PAUSE else (0, 0)
    # A pose that was stopped on its way arrives when the bridge is back, and there they rest.
    if follows(told[index], told[again]):
        index = again
    return index, min(told[again].time, float(meant.times[latest])) - LATE


class _Judge:
    """Holds every pose at the board against the limits of the joints."""

    def __init__(self, robot: Robot, maps: ServoMaps) -> None:
        driving = DrivingParameters()
        share = driving.speed_share
        self._maps = maps.maps
        self._masks = np.array([1 << each.channel for each in self._maps])
        self._speeds = np.array([share * k.servo.speed for leg in robot.legs for k in leg.links])
        self._acceleration = driving.joint_acceleration

    def check(self, poses: Sequence[Record], meant: _Meant) -> None:
        """Go from one known pose to the next."""
        last: _Known | None = None
        told: list[Record] = []
        for pose in poses:
            told.append(pose)
            known = self._known(told, meant, last)
            if known is not None:
                last = known
                told = [pose]
        assert last is not None, 'no pose at the board is one that the bridge has told of'

    def _known(self, told: list[Record], meant: _Meant, last: _Known | None) -> _Known | None:
        """Judge what was told since the last known pose, if the instant of the latest is known."""
        pulses = self._pulses(told[-1])
        first, end = meant.within(told[-1].time - AFTER_ALL, told[-1].time + AT_ONCE)
        found = meant.like(pulses, first if last is None else max(first, last.index + 1), end)
        if not found:
            return None
        angles = self._angles(pulses)
        if last is None:
            return _Known(found[0], angles, np.full_like(angles, np.nan), 0.0)
        on = np.array([all(record.enabled & mask for record in told) for mask in self._masks])
        quanta = np.abs(self._angles(pulses + 2.0 * HALF_QUANTUM) - angles)
        at = float(meant.times[found[0]])
        rest = _last_rest(told, meant, last.index, found[0], self._pulses, follows=self._follows)
        since, start = (0, float(meant.times[last.index])) if rest is None else rest
        # Until then all that is known is that a pose is meant before it arrives.
        for record in told[1 : since + 1]:
            moved = np.abs(self._angles(self._pulses(record)) - last.angles)
            # By two clocks it may seem to arrive a moment before.
            time = max(0.0, record.time - float(meant.times[last.index]))
            self._refuse(on & (moved > self._speeds * time + quanta), moved, 'rad', record)
        origin = self._angles(self._pulses(told[since]))
        span = at - start
        for record in told[since + 1 :]:
            moved = np.abs(self._angles(self._pulses(record)) - origin)
            self._refuse(on & (moved > self._speeds * span + quanta), moved, 'rad', record)
        speeds = (angles - origin) / span
        before, ago = (last.speeds, last.span) if rest is None else (np.zeros_like(speeds), 0.0)
        change = np.abs(speeds - before)
        most = 0.5 * self._acceleration * (span + ago)
        blur = quanta / span + (quanta / ago if ago else 0.0)
        self._refuse(on & (change > most + blur), change, 'rad/s', told[-1])
        return _Known(found[0], angles, np.where(on, speeds, np.nan), span)

    def _follows(self, earlier: Record, later: Record) -> bool:
        """Whether a pose may be that of the tick after another."""
        moved = np.abs(self._angles(self._pulses(later)) - self._angles(self._pulses(earlier)))
        return bool((moved <= self._speeds * LONG_TICK).all())

    def _pulses(self, record: Record) -> Array:
        return np.array([record.pulses_us[each.channel] for each in self._maps])

    def _angles(self, pulses: Array) -> Array:
        return np.array([m.angle(pulse) for m, pulse in zip(self._maps, pulses, strict=True)])

    def _refuse(self, wrong: NDArray[np.bool_], changes: Array, unit: str, record: Record) -> None:
        jumps = [
            f'{each.joint} by {change:.3f} {unit}'
            for each, change, jumps in zip(self._maps, changes, wrong, strict=True)
            if jumps
        ]
        assert not jumps, f'told to jump at {record.time}: {", ".join(jumps)}'


def jump_check(robot: Robot, maps: ServoMaps) -> Callable[[Operator, Sequence[Record]], None]:
    """Return a check that no joint with its pulses on was ever told to jump.

    Over the span from one pose whose instant is known to the next each joint keeps its limit of
    speed, and from span to span that of acceleration.
    """
    judge = _Judge(robot, maps)

    def check(operator: Operator, records: Sequence[Record]) -> None:
        assert isinstance(operator, Witness)
        poses = [record for record in records if record.event == 'pose']
        judge.check(poses, _Meant(operator, maps))

    return check


@pytest.fixture(scope='session')
def assert_no_jump(
    bracken: Robot, servo_maps: ServoMaps
) -> Callable[[Operator, Sequence[Record]], None]:
    """Give `jump_check` of the example robot."""
    return jump_check(bracken, servo_maps)
