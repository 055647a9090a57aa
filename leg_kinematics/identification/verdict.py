# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What was identified means to the person at the bench, in sentences."""

from collections.abc import Iterator, Mapping
from itertools import combinations
from math import degrees

import numpy as np

from leg_kinematics.calibration import ServoMap
from leg_kinematics.identification.evidence import Evidence
from leg_kinematics.identification.fit import Identified
from leg_kinematics.identification.landing import Landing, landing
from leg_kinematics.identification.room import Room
from leg_kinematics.identification.suspects import Suspect
from leg_kinematics.robot import SEGMENTS

#: Feet that land within this in 95 of 100 cases are good enough for what legs do (our own), m.
GOOD = 1.5e-3

#: Of positions, so many numbers are mistyped at most, and so many for each position (our own).
MOST_MISTYPED = (3, 0.2)

#: What makes numbers wrong that are not mistyped.
STAYED = (
    'look whether robot and sheet stayed where they were, whether the block holds the body still, '
    'and whether horns or screws are loose'
)

#: Measurements that scatter more than this many times what was expected are told (our own).
MOST_SCATTER = 1.5

#: A length or a mount that is so many standard deviations of its tolerance away is told (our own).
FAR = 3.0

#: Two unknowns whose errors depend on each other by more (as a correlation) are not told apart, if
#: the feet left each of them with more than this share of what was not known before (our own).
TOGETHER, HARDLY = 0.8, 0.5

#: An unknown of which more than this share is left is not told at all (our own).
NOTHING = 0.9

#: Of a marker, along the axes of the tibia.
BESIDE_TIP = ('further down', 'to the left', 'outwards')

TURNS = {'x': 'roll', 'y': 'pitch', 'z': 'yaw'}


def verdict(
    room: Room, maps: Mapping[str, ServoMap], evidence: Evidence, found: Identified
) -> tuple[str, ...]:
    """Say how much better feet will land, what is doubtful, and what would help.

    Parameters
    ----------
    room
        The robot as it is described, and what is around it.
    maps
        The present ones, by joint.
    evidence
        What was measured.
    found
        What was identified of it.

    Returns
    -------
    tuple of str
        One sentence each, or few that belong together.

    """
    feet = landing(room, maps, found)
    return (
        *_better(feet, found),
        *_slack(feet),
        *_foretold(evidence, found),
        *_suspects(evidence, found),
        *_scatter(found),
        *_far_off(room, found),
        *_not_told(found),
        *_more(feet, evidence, found),
    )


def _better(feet: Landing, found: Identified) -> Iterator[str]:
    alone = len(found.measured) == 1
    apart = ', from one place of this one foot to the next' if alone else ''
    about = (
        'Where the leg as a whole stands in the body a single leg does not tell: with that, a foot '
        f'may be {_mm(feet.whole(0.95))} off until other legs are measured, too.'
        if alone
        else 'This is about how feet stand to each other: where base_link is in the body nobody '
        'can measure.'
    )
    yield (
        f'With the present maps and lengths feet land {_mm(feet.before(0.5))} from where they '
        f'should, one in twenty {_mm(feet.before(0.95))} or more{apart}. With those found it will '
        f'be {_mm(feet.after(0.5))}, and {_mm(feet.after(0.95))} for one in twenty, as far as the '
        f'measurements tell. {about}'
    )


def _slack(feet: Landing) -> Iterator[str]:
    yield (
        f'Slack and dead band let a foot stray by up to {_mm(float(np.median(feet.slack)))} '
        'besides, whatever the maps.'
    )


def _foretold(evidence: Evidence, found: Identified) -> Iterator[str]:
    """Tell how well each position is foretold by all the others."""
    wrong = {each.place for each in found.suspects if each.kind == 'foot'}
    kept = [place for place in range(len(evidence.feet)) if place not in wrong]
    if kept:
        off = np.linalg.norm(found.left_out[kept], axis=1)
        yield (
            f'Half of the {len(kept)} positions are foretold within {_mm(float(np.median(off)))} '
            f'by all the others, the worst within {_mm(float(off.max()))}.'
        )
    wrong = {each.place for each in found.suspects if each.kind == 'touch'}
    touched = [place for place in range(len(evidence.touches)) if place not in wrong]
    if touched:
        high = float(np.abs(found.touch_residuals[touched]).max())
        yield f'All {len(touched)} touches fit flat ground within {_mm(high)}.'


def _suspects(evidence: Evidence, found: Identified) -> Iterator[str]:
    for each in found.suspects:
        yield f'{_named(each, evidence)}: it was left out, and is probably mistyped.'
    yield from _unchecked(evidence, found)
    positions = sum(each.kind == 'foot' for each in found.suspects)
    if positions > max(MOST_MISTYPED[0], MOST_MISTYPED[1] * len(evidence.feet)):
        yield (
            f'{positions} wrong numbers in {len(evidence.feet)} positions are hardly all mistyped: '
            f'{STAYED}.'
        )


def _unchecked(evidence: Evidence, found: Identified) -> Iterator[str]:
    """Tell at which pulses no angle is left, since nothing tells which of them is wrong."""
    left: dict[tuple[str, float], bool] = {}
    wrong = {(each.name, each.place) for each in found.suspects if each.kind == 'reading'}
    for joint, readings in evidence.readings.items():
        for place, reading in enumerate(readings):
            key = joint, reading.pulse_us
            left[key] = left.get(key, False) or (joint, place) not in wrong
    for (joint, pulse), some in left.items():
        if not some:
            yield (
                f'No angle of {joint} at {pulse:g} µs is left, and the rest tells little there: '
                f'read it again, by leg-kinematics calibrate --joint {joint}, or measure feet '
                'with this joint near it.'
            )


def _named(suspect: Suspect, evidence: Evidence) -> str:
    """Name a number as the person knows it, who counts from 1."""
    if suspect.kind == 'reading':
        reading = evidence.readings[suspect.name][suspect.place]
        return (
            f'{suspect.name}: reading {suspect.place + 1}, {degrees(suspect.given):.1f} deg at '
            f'{reading.pulse_us:g} µs coming {reading.approached}, is '
            f'{abs(degrees(suspect.off)):.1f} deg away from what the others say'
        )
    entries = evidence.feet if suspect.kind == 'foot' else evidence.touches
    before = entries[: suspect.place + 1]
    number = sum(each.stand.leg == suspect.name for each in before)
    if suspect.kind == 'touch':
        return (
            f'{suspect.name}: at touch {number} the foot was {_mm(abs(suspect.off))} off the '
            'ground, by what the others say'
        )
    return (
        f'{suspect.name}: {suspect.coordinate} of position {number} was given as '
        f'{1e3 * suspect.given:.1f} mm, the others say {1e3 * suspect.expected:.1f} mm'
    )


def _scatter(found: Identified) -> Iterator[str]:
    for what, times in (
        ('Angles', found.scatter.readings),
        ('Positions', found.scatter.feet),
        ('Markers', found.scatter.markers),
        ('Touches', found.scatter.touches),
    ):
        if times > MOST_SCATTER:
            yield (
                f'{what} scatter {times:.1f} times as much as is expected of them, and all that is '
                f'told here is that much less sure: {STAYED}.'
            )


def _far_off(room: Room, found: Identified) -> Iterator[str]:
    """Tell what is so far from its description that the description may be wrong."""
    told = found.tolerances
    for leg in room.robot.legs:
        if leg.name not in found.measured:
            continue
        own = found.legs[leg.name]
        for segment, link, length in zip(SEGMENTS, leg.links, own.lengths, strict=True):
            off = length.value - link.length
            if abs(off) > FAR * told.length:
                yield (
                    f'The {segment} of {leg.name} seems to be {1e3 * length.value:.1f} mm long, '
                    f'not {1e3 * link.length:g} mm as described: measure it, and correct the '
                    'description if that is so.'
                )
        for axis, at, described in zip('xyz', own.position, leg.mount.position, strict=True):
            off = at.value - described
            if abs(off) > FAR * told.mount_position:
                yield (
                    f'The mount of {leg.name} seems to be {1e3 * off:+.1f} mm off along {axis}: '
                    'look whether it is screwed on where it is described.'
                )
        for axis, turn in zip('xyz', own.turn, strict=True):
            if abs(turn.value) > FAR * told.mount_angle:
                yield (
                    f'The mount of {leg.name} seems to be turned by {degrees(turn.value):+.1f} '
                    f'deg about its {axis} axis: look whether it is bent, or described with '
                    'another direction.'
                )

        yield from _far_markers(found, leg.name)


def _far_markers(found: Identified, leg: str) -> Iterator[str]:
    """Tell where a marker is so far from where it was told to be that this may be wrong."""
    marker, told = found.legs[leg].marker, found.model.marker
    if marker is None or told is None:
        return
    for where, at, expected in zip(BESIDE_TIP, marker, told, strict=True):
        off = at.value - expected
        if abs(off) > FAR * found.tolerances.marker:
            yield (
                f'The marker of {leg} seems to sit {1e3 * off:+.1f} mm {where} of where it was '
                'told to be: measure where its middle is from the tip of the foot, and look '
                'whether it is loose.'
            )


def _not_told(found: Identified) -> Iterator[str]:
    """Tell what feet say nothing of, and pairs of which only a combination is known."""
    alone: dict[str, list[str]] = {}
    pairs: dict[str, list[str]] = {}
    for leg in found.measured:
        unknown = _untold(found, leg)
        if unknown:
            alone.setdefault(unknown, []).append(leg)
        for one, other in _pairs(found, leg):
            pairs.setdefault(f'{one} and {other}', []).append(leg)
    for what, legs in alone.items():
        yield (
            f'Of {_names(legs, found)} the measurements tell next to nothing about {what}: that '
            'stays as described.'
        )
    for what, legs in pairs.items():
        yield (
            f'Of {_names(legs, found)} the measurements hardly tell apart {what}: each alone may '
            'be wrong, though not where together they bring the foot.'
        )


def _names(legs: list[str], found: Identified) -> str:
    every = len(legs) > 1 and legs == list(found.measured)
    return 'all legs' if every else ', '.join(legs)


def _untold(found: Identified, leg: str) -> str:
    """Name what feet say nothing of, of lengths and mount."""

    def left(part: str) -> bool:
        return found.learned(f'{leg}.{part}') > NOTHING

    lengths = [segment for segment in SEGMENTS if left(segment)]
    mount = [axis for axis in 'xyz' if left(f'mount_{axis}')]
    mount += [word for axis, word in TURNS.items() if left(f'mount_turn_{axis}')]
    words = [f'the length of {_listed(lengths)}'] if lengths else []
    words += [f'{_listed(mount)} of its mount'] if mount else []
    return ', and '.join(words)


def _listed(words: list[str]) -> str:
    return ' and '.join(filter(None, (', '.join(words[:-1]), words[-1])))


def _pairs(found: Identified, leg: str) -> Iterator[tuple[str, str]]:
    horns = {f'{leg}_{segment}.c0': f'how the {segment} horn sits' for segment in SEGMENTS}
    own = _of_frame(leg) | horns
    places = [found.model.places[name] for name in own]
    covariance = found.covariance[np.ix_(places, places)]
    errors = np.sqrt(np.diag(covariance))
    words = list(own.values())
    for one, other in combinations(range(len(places)), 2):
        correlation = covariance[one, other] / (errors[one] * errors[other])
        hardly = all(found.learned(found.names[places[each]]) > HARDLY for each in (one, other))
        if abs(correlation) > TOGETHER and hardly:
            yield words[one], words[other]


def _of_frame(leg: str) -> dict[str, str]:
    """Return lengths and mount of a leg, each with what it is called."""
    lengths = {f'{leg}.{segment}': f'the length of the {segment}' for segment in SEGMENTS}
    places = {f'{leg}.mount_{axis}': f'the {axis} of the mount' for axis in 'xyz'}
    turns = {f'{leg}.mount_turn_{axis}': f'the {TURNS[axis]} of the mount' for axis in 'xyz'}
    return lengths | places | turns


def _more(feet: Landing, evidence: Evidence, found: Identified) -> Iterator[str]:
    """Tell whether more points help, and which."""
    missing = [leg.name for leg in found.model.legs if leg.name not in found.measured]
    if missing:
        yield f'No foot of {_listed(missing)} was measured: nothing was found out about it.'
    within = {name: feet.of_leg(name).after(0.95) for name in found.measured}
    poor = [name for name, value in within.items() if value > GOOD]
    if not poor:
        yield 'More points would make little difference to how this robot walks.'
        return
    worst = max(poor, key=within.__getitem__)
    own = feet.of_leg(worst)
    place = int(np.argmax((own.spread**2).sum(axis=1)))
    x, y, z = (1e3 * each for each in own.meant[place].tolist())
    axis = 'xyz'[int(np.argmax(own.spread[place]))]
    how = 'add points' if evidence.feet else 'add positions by ruler or by photographs'
    yield (
        f'More points help: {how}, of {_names(poor, found)}. Known least is {axis} of the foot of '
        f'{worst} near ({x:.0f}, {y:.0f}, {z:.0f}) mm, where it will land within '
        f'{_mm(within[worst])}.'
    )


def _mm(length: float) -> str:
    return f'{1e3 * length:.1f} mm'
