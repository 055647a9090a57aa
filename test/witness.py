# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whoever operates a chain in a test also witnesses that no servo was ever told to jump.

The board's log knows what arrived, but on a busy machine a pose is late or lost on the way. When
each was meant the bridge tells: every second one is in ``joint_states``, with the instant that it
is for. By these instants the limits of speed and acceleration hold to rounding.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from time import CLOCK_MONOTONIC, CLOCK_REALTIME, clock_gettime

import numpy as np
import pytest
from numpy.typing import NDArray
from rclpy.serialization import deserialize_message
from sensor_msgs.msg import JointState

from leg_kinematics.board import Record
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.commands.operator import RECORDED, Operator
from leg_kinematics.nodes.messages import seconds_of
from leg_kinematics.nodes.parameters import BRIDGE
from leg_kinematics.robot import Robot
from leg_kinematics.solver.tracker import SILENT_AFTER

Array = NDArray[np.float64]

HALF_QUANTUM = 0.25 + 1e-6
"""us by which a pulse on the line may differ from the one meant."""

AT_ONCE = 0.005
"""s by which a pose may seem to arrive before it was meant, when the system's clock is slewed."""

AFTER_ALL = 0.5
"""s after which a pose cannot still be on its way."""

PAUSE = SILENT_AFTER + 0.04
"""s between poses that mean that the bridge itself was away, and starts from rest."""

LATE = 0.01
"""s that the first pose after that may have been on its way to the board."""


class Witness(Operator):
    """An operator who records as well what the bridge says it does."""

    def __init__(self, namespace: str) -> None:
        """Listen from the beginning."""
        super().__init__(namespace)
        self.joint_states: list[bytes] = []
        self.node.create_subscription(
            JointState, 'joint_states', self.joint_states.append, RECORDED, raw=True
        )


@pytest.fixture(scope='session')
def new_witness() -> Callable[[str], Witness]:
    """Make witnesses; whoever does closes them."""
    return Witness


class _Meant:
    """The poses that the bridge said it means, and the instants that they are for."""

    def __init__(self, witness: Witness, maps: ServoMaps) -> None:
        messages = [deserialize_message(each, JointState) for each in witness.joint_states]
        offset = clock_gettime(CLOCK_REALTIME) - clock_gettime(CLOCK_MONOTONIC)
        self.times = np.array([seconds_of(each.header.stamp) - offset for each in messages])
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
) -> tuple[int, float] | None:
    """Find from which pose and when the joints last started from rest, if they did.

    They rest at a pose that the bridge means again after it has arrived. After a while in which
    the bridge itself was away they rest at the pose before.
    """
    for index in reversed(range(len(told) - 1)):
        like = meant.like(pulses_of(told[index]), last + 1, latest)
        if like:
            return index, float(meant.times[like[-1]])
    if meant.times[latest] - meant.times[last] <= PAUSE:
        return None
    pauses = [later.time - earlier.time for earlier, later in pairwise(told)]
    longest = max(range(len(pauses)), key=pauses.__getitem__)
    # A pose that was stopped on its way arrives when the bridge is back.
    index, again = (longest, longest + 1) if pauses[longest] > PAUSE else (0, 0)
    return index, min(told[again].time, float(meant.times[latest])) - LATE


class _Judge:
    """Holds every pose at the board against the limits of the joints."""

    def __init__(self, robot: Robot, maps: ServoMaps) -> None:
        defaults = {each.name: each.default for each in BRIDGE}
        share, acceleration = defaults['speed_share'], defaults['joint_acceleration']
        assert isinstance(share, float)
        assert isinstance(acceleration, float)
        self._maps = maps.maps
        self._masks = np.array([1 << each.channel for each in self._maps])
        self._speeds = np.array([share * k.servo.speed for leg in robot.legs for k in leg.links])
        self._acceleration = acceleration

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
        rest = _last_rest(told, meant, last.index, found[0], self._pulses)
        since, start = (0, float(meant.times[last.index])) if rest is None else rest
        # Until then all that is known is that a pose is meant before it arrives.
        for record in told[1 : since + 1]:
            moved = np.abs(self._angles(self._pulses(record)) - last.angles)
            time = record.time - meant.times[last.index]
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


@pytest.fixture(scope='session')
def assert_no_jump(
    bracken: Robot, servo_maps: ServoMaps
) -> Callable[[Operator, Sequence[Record]], None]:
    """Return a check that no joint with its pulses on was ever told to jump.

    Over the span from one pose whose instant is known to the next each joint keeps its limit of
    speed, and from span to span that of acceleration.
    """
    judge = _Judge(bracken, servo_maps)

    def check(operator: Operator, records: Sequence[Record]) -> None:
        assert isinstance(operator, Witness)
        poses = [record for record in records if record.event == 'pose']
        judge.check(poses, _Meant(operator, servo_maps))

    return check
