# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What happened in a run, in its order, and the likely cause of each stop."""

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import hypot

from geometry_msgs.msg import Twist, TwistStamped
from std_msgs.msg import Bool

from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.walking import WalkingParameters
from leg_kinematics.recording.bag.contents import Message
from leg_kinematics.recording.run import Run, Status

#: An order, or whatever else happened, is the cause of a stop so long before or after it, s: what
#: happens in one node is told by another one a little later, and in any order.
BEFORE, AFTER = 1.0, 0.3

#: Stops closer than that have one cause, s.
ONE_STOP = 1.0

#: Topics of streams that were not heard for so long were silent, s.
SILENCE = 0.3

#: So many missed ticks between two reports are no accident.
MISSED = 5

#: What happens is told within this time by all nodes that it concerns, s.
TELLING = 0.1

STREAMS = ('bridge/state', 'foot_targets', 'joint_trajectory', 'joint_states', 'odom', 'joy')

#: A velocity below this is standstill, m/s and rad/s.
STANDSTILL = 1e-4

WALKING = 'walking'


@dataclass(frozen=True)
class Entry:
    """Something that happened.

    Attributes
    ----------
    at
        s from the beginning of the run.
    who
        Node, topic or order.
    what
        In words.

    """

    at: float
    who: str
    what: str


@dataclass(frozen=True)
class Stop:
    """The robot stopped, or somebody took its power.

    Attributes
    ----------
    at
        s from the beginning of the run.
    what
        What was seen.
    cause
        The likely one, in words.

    """

    at: float
    what: str
    cause: str


def timeline(run: Run) -> list[Entry]:
    """Tell what happened: states, orders, power, refusals, limits, silences, losses."""
    entries = [
        *_states(run),
        *_limits(run),
        *(Entry(o.at, o.name, ('' if o.level == 0 else 'refused: ') + o.words) for o in run.orders),
        *_power(run),
        *_silences(run),
    ]
    return sorted(entries, key=lambda entry: entry.at)


def stops(run: Run) -> list[Stop]:
    """Tell when the robot stopped, and why, as far as the recording says."""
    seen = [
        Entry(now.at, 'gait', f'from {before.state} to {now.words}')
        for before, now in pairwise(_of_node(run, 'gait'))
        if before.state == WALKING != now.state
    ]
    seen += [
        entry
        for (_, before), entry in zip(_power_edges(run), _power(run), strict=True)
        if before is PowerState.FOLLOWING
    ]
    found: list[Stop] = []
    for entry in sorted(seen, key=lambda entry: entry.at):
        if not found or entry.at - found[-1].at > ONE_STOP:
            found.append(Stop(entry.at, f'{entry.who}: {entry.what}', _cause(run, entry.at)))
    return found


def _cause(run: Run, at: float) -> str:
    """Say the likely cause of a stop; rules in the order in which they exclude others."""
    rules = (
        _ordered,
        _emergency,
        _power_lost,
        _bridge_silent,
        _held_up,
        _paused,
        _refused,
        _not_driven,
    )
    for rule in rules:
        if cause := rule(run, at):
            return cause
    return 'not known from this recording'


def _ordered(run: Run, at: float) -> str:
    given = [order for order in run.orders if order.level == 0 and _near(order.at, at)]
    return f'{given[-1].name} was called: {given[-1].words}' if given else ''


def _emergency(run: Run, at: float) -> str:
    pressed = [when for when, m in run.read('emergency_stop', Bool) if m.data and _near(when, at)]
    return 'the emergency stop was pressed' if pressed else ''


def _power_lost(run: Run, at: float) -> str:
    if not any(
        _near(when, at) for when, before in _power_edges(run) if before is PowerState.FOLLOWING
    ):
        return ''
    said = [each for each in _of_node(run, 'bridge') if each.level and _near(each.at, at)]
    return f'the bridge said: {said[0].words}' if said else 'the bridge did not follow any more'


def _bridge_silent(run: Run, at: float) -> str:
    for start, end in _gaps(run, 'bridge/state'):
        if start - AFTER <= at <= end + AFTER:
            return (
                f'the bridge was not heard for {end - start:.2f} s: it ended, or the machine or '
                'the line between was held up'
            )
    return ''


def _held_up(run: Run, at: float) -> str:
    """Look for ticks that bridge or gait missed since their report before the stop."""
    for node in ('bridge', 'gait'):
        counts = [(s.at, int(s.values.get('missed_ticks', 0))) for s in _of_node(run, node)]
        earlier = [count for when, count in counts if when < at - TELLING]
        later = [count for when, count in counts if when >= at - TELLING]
        if earlier and later and (missed := later[0] - earlier[-1]) >= MISSED:
            return (
                f'the {node} missed {missed} ticks just then: the machine was busy with something '
                'else; realtime_priority helps'
            )
    return ''


def _paused(run: Run, at: float) -> str:
    said = [each for each in _of_node(run, 'gait') if each.state == 'paused']
    near = [each for each in said if _near(each.at, at)]
    return f'the gait said: {near[0].words}' if near else ''


def _refused(run: Run, at: float) -> str:
    for node in ('bridge', 'kinematics', 'gait'):
        said = [each for each in _of_node(run, node) if each.state == 'refused']
        near = [each for each in said if _near(each.at, at)]
        if near:
            return f'{node} said: {near[0].words}'
    return ''


def _not_driven(run: Run, at: float) -> str:
    """Look at the velocities; the robot ends its step before it says that it stands."""
    sent = velocities(run)
    before = bisect_right([when for when, _, _ in sent], at)
    if not before:
        return 'no velocity was recorded before it'
    when, speed, turning = sent[before - 1]
    if max(speed, turning) < STANDSTILL:
        asked = when
        for earlier, speed, turning in reversed(sent[: before - 1]):
            if max(speed, turning) >= STANDSTILL:
                break
            asked = earlier
        return f'the sender of cmd_vel asked for standstill, {at - asked:.2f} s before'
    default = WalkingParameters().silence
    silence = float(run.parameters.get('gait', {}).get('silence', default))
    if at - when >= silence:
        return (
            f'cmd_vel fell silent {at - when:.2f} s before, in motion: its sender ended, or the '
            f'link to it was gone (the gait stops after {silence:g} s)'
        )
    return ''


def velocities(run: Run) -> list[tuple[float, float, float]]:
    """Give instant, s, speed, m/s, and turning, rad/s, of every velocity that was sent."""
    found = []
    declared = run.parameters.get('gait', {}).get('cmd_vel_type', 'TwistStamped')
    kind = Twist if declared == 'Twist' else TwistStamped
    for at, message in run.read('cmd_vel', kind):
        twist = message if kind is Twist else message.twist
        found.append((at, hypot(twist.linear.x, twist.linear.y), abs(twist.angular.z)))
    return found


def _near(when: float, at: float) -> bool:
    return at - BEFORE <= when <= at + AFTER


def _of_node(run: Run, node: str) -> list[Status]:
    return [each for each in run.statuses if each.name == node]


def _states(run: Run) -> Iterator[Entry]:
    known: dict[str, str] = {}
    for each in run.statuses:
        if known.get(each.name) != each.state:
            known[each.name] = each.state
            yield Entry(each.at, each.name, each.words)


def _limits(run: Run) -> Iterator[Entry]:
    before = ''
    for each in _of_node(run, 'gait'):
        limit = each.values.get('limit', '')
        if limit and limit != before:
            yield Entry(each.at, 'gait', f'limited: {limit}')
        before = limit


def _power_edges(run: Run) -> list[tuple[float, PowerState]]:
    """Tell when the state of power changed, and what it was before."""
    return [
        (at, before.state)
        for (_, before), (at, now) in pairwise(run.reports)
        if now.state is not before.state or now.session != before.session
    ]


def _power(run: Run) -> list[Entry]:
    found = []
    for (_, before), (at, now) in pairwise(run.reports):
        if now.session != before.session:
            found.append(Entry(at, 'power', f'a new bridge: {now.state.value}'))
        elif now.state is not before.state:
            found.append(Entry(at, 'power', f'from {before.state.value} to {now.state.value}'))
    return found


def _silences(run: Run) -> Iterator[Entry]:
    for topic in STREAMS:
        for start, end in _gaps(run, topic):
            yield Entry(start, topic, f'not heard for {end - start:.2f} s')


def _gaps(run: Run, topic: str) -> list[tuple[float, float]]:
    """Between which instants a stream was not heard, the end of the run among them."""
    heard: list[Message] = list(run.of(topic))
    instants = [run.instant(each.received) for each in heard]
    if instants:
        instants.append(run.seconds)
    return [(start, end) for start, end in pairwise(instants) if end - start > SILENCE]
