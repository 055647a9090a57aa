# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What of a recorded run can be replayed: velocities, targets as a path, and messages as they are.

All instants are s from the beginning of the run.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf

from leg_kinematics.chain.values import JointLimits
from leg_kinematics.gait import Twist
from leg_kinematics.recording.replaying.playhead import GRID
from leg_kinematics.solver import Trajectory

#: Of the limits of a joint, what a replay that is faster than its recording makes use of: the rest
#: is for what lies between the places of the grid.
SPEED_SHARE = 0.9
ACCELERATION_SHARE = 0.4

Row = tuple[float, ...]

#: Gives the joints, rad, for what the targets name; nothing where they cannot be there.
JointsOf = Callable[[tuple[str, ...], Row], dict[str, float] | None]


@dataclass(frozen=True)
class Velocities:
    """Velocities of the body, each in force until the next.

    Attributes
    ----------
    instants
        Of receipt, s, rising.
    twists
        What was asked for.
    silence
        After so long without another one the robot stopped then, s.

    """

    instants: tuple[float, ...]
    twists: tuple[Twist, ...]
    silence: float

    def at(self, place: float) -> Twist:
        """Give what was asked for at an instant."""
        index = bisect_right(self.instants, place) - 1
        if index < 0 or place - self.instants[index] > self.silence:
            return Twist()
        return self.twists[index]


@dataclass(frozen=True)
class Event:
    """A message that is sent as it is, when the replay comes to it.

    Attributes
    ----------
    at
        When it was received.
    topic
        Its full name then.
    data
        As it was on the wire.

    """

    at: float
    topic: str
    data: bytes


@dataclass(frozen=True)
class Targets:
    """Targets of one message.

    Attributes
    ----------
    start
        When they begin.
    names
        Of joints or legs.
    trajectory
        Angles, rad, or coordinates of the feet, m, leg by leg.

    """

    start: float
    names: tuple[str, ...]
    trajectory: Trajectory


@dataclass(frozen=True)
class Continuity:
    """How far targets of two messages may be apart and still be one path.

    Attributes
    ----------
    place
        rad or m.
    speed
        rad/s or m/s.

    """

    place: float
    speed: float


#: A gap of a stream that is no longer is bridged by the cubic between its ends, as the bridge does,
#: s. Where the stages are in one process, every message is a single point.
LONGEST_GAP = 0.105

#: Of the joints of a walk that lost a message now and then.
OF_JOINTS = Continuity(0.02, 0.5)

#: The same of its feet.
OF_FEET = Continuity(0.003, 0.08)


@dataclass(frozen=True)
class Stretch:
    """A part of a recording in which the targets go on without a jump.

    Attributes
    ----------
    start, end
        Of it.
    names
        Of joints or legs; none where no targets are replayed.
    targets
        Messages of which each is in force until the next.

    """

    start: float
    end: float
    names: tuple[str, ...] = ()
    targets: tuple[Targets, ...] = ()

    def state(self, place: float) -> tuple[Row, Row]:
        """Give places and speeds at an instant: rad and rad/s, or m and m/s."""
        index = bisect_right(self.targets, place, key=lambda each: each.start) - 1
        each = self.targets[max(0, index)]
        return each.trajectory.state(place - each.start)


def stretches_of(
    targets: Iterable[Targets], continuity: Continuity, start: float, end: float
) -> list[Stretch]:
    """Put a stream of targets together to stretches that fill a part of a recording.

    Where nothing was sent the last place is kept, and before the first message the first.
    """
    found = [
        Stretch(max(each.start, start), min(each.end, end), each.names, each.targets)
        for each in _joined(targets, continuity)
        if each.end > start and each.start < end
    ]
    if not found:
        return []
    filled = []
    if found[0].start > start:
        filled.append(_still(found[0], found[0].start, start, found[0].start))
    for each, later in pairwise([*found, None]):
        if each is None:
            continue
        filled.append(each)
        until = end if later is None else later.start
        if until > each.end:
            filled.append(_still(each, each.end, each.end, until))
    return filled


def _joined(targets: Iterable[Targets], continuity: Continuity) -> Iterator[Stretch]:
    together: list[Targets] = []
    for each in _without_gaps(targets):
        if together and not _goes_on(together[-1], each, continuity):
            yield _stretch(together, each.start)
            together = []
        together.append(each)
    if together:
        yield _stretch(together, inf)


def _without_gaps(targets: Iterable[Targets]) -> Iterator[Targets]:
    """Lead each message to the next where only a short time is between them."""
    before: Targets | None = None
    for each in targets:
        if before is None:
            before = each
        elif each.start > before.start:
            yield _led_to(before, each)
            before = each
        # Otherwise the clock of the sender was set back, or two sent at once.
    if before is not None:
        yield before


def _led_to(before: Targets, after: Targets) -> Targets:
    this, that = before.trajectory, after.trajectory
    since = after.start + that.times[0] - before.start
    if before.names != after.names or not this.end < since <= this.end + LONGEST_GAP:
        return before
    led = Trajectory(
        (*this.times, since),
        (*this.positions, that.positions[0]),
        (*this.velocities, that.velocities[0]),
    )
    return Targets(before.start, before.names, led)


def _goes_on(before: Targets, after: Targets, continuity: Continuity) -> bool:
    if before.names != after.names:
        return False
    since = after.start + after.trajectory.times[0] - before.start
    places, speeds = before.trajectory.state(since)
    return (
        _apart(places, after.trajectory.positions[0]) <= continuity.place
        and _apart(speeds, after.trajectory.velocities[0]) <= continuity.speed
    )


def _apart(one: Row, other: Row) -> float:
    return max(abs(a - b) for a, b in zip(one, other, strict=True))


def _stretch(together: Sequence[Targets], until: float) -> Stretch:
    last = together[-1]
    end = min(until, last.start + last.trajectory.end)
    return Stretch(together[0].start, end, last.names, tuple(together))


def _still(stretch: Stretch, place: float, start: float, end: float) -> Stretch:
    """Stand where a stretch is at an instant."""
    where, _ = stretch.state(place)
    still = Trajectory((0.0,), (where,), ((0.0,) * len(where),))
    return Stretch(start, end, stretch.names, (Targets(start, stretch.names, still),))


def highest_rate(
    stretch: Stretch, limits: JointLimits, joints_of: JointsOf
) -> Callable[[float], float]:
    """Tell how fast a stretch may be played at a place, so that every joint keeps its limits.

    Where the joints cannot be, nothing is limited: the chain says what is wrong.
    """
    speeds = dict(zip(limits.joints, limits.speeds, strict=True))

    def at(place: float) -> float:
        before, here, after = (
            joints_of(stretch.names, stretch.state(min(max(each, stretch.start), stretch.end))[0])
            for each in (place - GRID, place, place + GRID)
        )
        if before is None or here is None or after is None:
            return inf
        rate = inf
        for joint, angle in here.items():
            speed = max(abs(after[joint] - angle), abs(angle - before[joint])) / GRID
            change = abs(after[joint] - 2.0 * angle + before[joint]) / GRID**2
            if speed > 0.0:
                rate = min(rate, SPEED_SHARE * speeds.get(joint, inf) / speed)
            if change > 0.0:
                rate = min(rate, (ACCELERATION_SHARE * limits.acceleration / change) ** 0.5)
        return rate

    return at
