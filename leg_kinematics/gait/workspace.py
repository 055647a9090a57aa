# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What each leg can do around its neutral point: how far its foot strays, how fast it walks.

In a swing a foot makes good in a short time what it loses in a long stance: while it stands it
moves at the speed of the body, while it swings at up to 1.875/(1 - beta) - 1 times that, and it
rises and falls besides. The servos' speed therefore bounds the walk in the swing.

All legs are worked out together. The rim of a disc, where most often nothing is wrong, comes first.
"""

from collections.abc import Callable, Sequence
from math import atan2, tau

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.gait.body import LEVEL, Offset, Point, carried
from leg_kinematics.gait.phases import TRIPOD
from leg_kinematics.gait.swing import PARTS, steady_swing
from leg_kinematics.solver import PEAK_SPEED, ManyLegs

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Directions in which the rim of a disc is checked. Between two of them a disc passes a straight
#: edge of the reach by up to 1 - cos(pi / 32) of its radius, 0.5 %; a walk leaves more than that
#: unused.
DIRECTIONS = 32

#: The radius is sought in rounds, each a number of times finer than the one before: to 1/4096 of
#: the stretched leg.
ROUNDS, STEPS = 3, 16

#: Neighbouring feet keep a tenth of their distance even when both stray towards each other.
SHARE_OF_NEIGHBOUR = 0.45

#: Directions in which the speed of a foot is tried; between two of them it is interpolated.
HEADINGS = 16

#: Strides that are tried, as parts of the longest, and the one that is tried after the longest.
STRIDES, HALF = 5, 2


def stride_radii(
    legs: ManyLegs,
    neutral: Floats,
    lift: float,
    offsets: Sequence[Offset] = (LEVEL,),
    depth: float = 0.0,
) -> Floats:
    """Radius of the largest usable disc around each neutral foot.

    Every point of the disc's rim can be taken on the ground and lifted, and the discs of two
    legs do not meet.

    Parameters
    ----------
    legs
        Of the body, in rows.
    neutral
        Where each foot stands, in `base_link`, m, shape (n, 3).
    lift
        How high a swinging foot is raised, m.
    offsets
        Of the body from the level pose in which the neutral feet are given.
    depth
        How far the ground may be below, m.

    Returns
    -------
    ndarray
        m, shape (offsets, n).

    """
    between = np.hypot(*(neutral[:, None, :2] - neutral[None, :, :2]).transpose(2, 0, 1))
    np.fill_diagonal(between, np.inf)
    room = _repeated(SHARE_OF_NEIGHBOUR * between.min(axis=1), len(offsets))
    legs, neutral = carried(legs, offsets), _repeated(neutral, len(offsets))
    ground = (-depth, 0.0) if depth else (0.0,)
    heights = np.zeros((3, len(ground) + 1))
    heights[2] = *ground, lift
    # Rays from the middle of the disc at each height, as columns; one row a leg.
    middles = np.repeat(neutral[:, :, None] + heights, DIRECTIONS, axis=2)
    rims = np.broadcast_to(np.tile(_directions(DIRECTIONS).T, heights.shape[1]), middles.shape)
    owner = np.arange(len(legs))
    found = np.zeros(len(legs))
    step = legs.stretched
    for _ in range(ROUNDS):
        step = step / STEPS
        steps = int(np.ceil(np.minimum((room - found) / step, STEPS).max()))
        if steps <= 0:
            break
        radii = (found[:, None] + step[:, None] * np.arange(1, steps + 1))[owner]
        points = middles[..., None] + rims[..., None] * radii[:, None, None, :]
        reached = legs.take(owner).reached(points.reshape(len(owner), 3, -1))
        reached = reached.reshape(len(owner), -1, steps)
        # How many steps a ray goes before its first that fails.
        good = np.where(reached.all(axis=-1), steps, reached.argmin(axis=-1))
        least = np.full(len(legs), steps)
        np.minimum.at(least, owner, good.min(axis=-1))
        found = found + step * least
        # Only rays that fail first are searched more finely, each in a row of its own.
        looked_for = (good == least[owner][:, None]) & (found < room)[owner, None]
        row, ray = np.nonzero(looked_for)
        middles, rims, owner = middles[row, :, ray, None], rims[row, :, ray, None], owner[row]
    smaller: Floats = np.minimum(found, room)
    return smaller.reshape(len(offsets), -1)


def liftable_radii(
    legs: ManyLegs,
    neutral: Floats,
    radii: Floats,
    speeds: Floats,
    *,
    swing_time: float,
    lift: float,
    offsets: Sequence[Offset] = (LEVEL,),
) -> Floats:
    """Largest radius around its neutral point in which the servos can lift each foot in time.

    The parameters are those of `fastest_stances`, but for the radii, m, shape (offsets, n). So is
    the answer, which is not above them.
    """
    count = len(offsets)
    legs = carried(legs, offsets)
    neutral, speeds = _repeated(neutral, count), _repeated(speeds, count)
    longest = radii.ravel()
    # The foot comes down as it went up.
    shares = np.linspace(0.0, 0.5, PARTS // 2 + 1)
    _, (rise, climb) = steady_swing(shares, TRIPOD, swing_time=swing_time, lift=lift)
    rim = _directions(HEADINGS).T

    def effort(rows: Indices, parts: Floats) -> Floats:
        # Shape (rows, axes, parts, headings, instants).
        places = np.empty((len(rows), 3, len(parts), HEADINGS, len(shares)))
        places[:] = neutral[rows, :, None, None, None]
        forth = longest[rows, None, None, None] * parts[:, None] * rim[:, None, :]
        places += forth[..., None]
        places[:, 2] += rise
        velocities = np.zeros_like(places)
        velocities[:, 2] = climb
        return _efforts(legs.take(rows), places, velocities, speeds[rows])

    return radii * np.minimum(_crossings(effort, longest.size), 1.0).reshape(radii.shape)


def fastest_stances(
    legs: ManyLegs,
    neutral: Floats,
    radii: Floats,
    speeds: Floats,
    *,
    swing_time: float,
    duty_factor: float,
    lift: float,
    offsets: Sequence[Offset] = (LEVEL,),
) -> Floats:
    """Highest speed of each foot on the ground whose steady swing no joint is too slow for.

    Parameters
    ----------
    legs
        Of the body, in rows.
    neutral
        Where each foot stands at mid stance, in the level body, m, shape (n, 3).
    radii
        Longest half strides, m, shape (n,).
    speeds
        What is allowed of each joint, rad/s, shape (n, 3).
    swing_time
        s.
    duty_factor
        Share of the cycle in which a leg stands.
    lift
        Height of the swing, m.
    offsets
        Of the body from its level pose.

    Returns
    -------
    ndarray
        m/s, shape (offsets, n, HEADINGS), one for each direction in which the body may go there,
        from +x on, counter-clockwise; in proportion where it is more than the radius allows, and 0
        where not even a swing on the spot is slow enough.

    """
    shares = np.linspace(0.0, 1.0, PARTS + 1)
    (along, along_rate), (rise, climb) = steady_swing(
        shares, duty_factor, swing_time=swing_time, lift=lift
    )
    # A direction and its opposite need the same: the swing is run backwards, all speeds reversed.
    count = len(offsets)
    legs = carried(legs, offsets)
    neutral, speeds = _repeated(neutral, count), _repeated(speeds, count)
    radii = _repeated(radii, count)
    leg, heading = np.divmod(np.arange(len(radii) * HEADINGS // 2), HEADINGS // 2)
    half_strides = radii[leg, None] * _directions(HEADINGS)[heading]

    def effort(rows: Indices, parts: Floats) -> Floats:
        # Shape (rows, axes, parts, instants).
        forth = half_strides[rows][:, :, None, None] * parts[:, None]
        places = neutral[leg[rows], :, None, None] + forth * along
        velocities = forth * along_rate
        places[:, 2] += rise
        velocities[:, 2] += climb
        return _efforts(legs.take(leg[rows]), places, velocities, speeds[leg[rows]])

    to_speed = 2.0 * (1.0 - duty_factor) / (duty_factor * swing_time)
    fastest = to_speed * radii[leg] * _crossings(effort, len(leg))
    fastest = fastest.reshape(count, len(radii) // count, -1)
    return np.concatenate((fastest, fastest), axis=-1)


def way_times(legs: ManyLegs, speeds: Floats, feet: Floats, way: Sequence[Offset]) -> Floats:
    """Time that the body needs for a way over feet that stand, s.

    Parameters
    ----------
    legs
        In rows, as the body has them.
    speeds
        What may be asked of each joint, rad/s, shape (n, 3).
    feet
        Columns of places at which each foot may stand, in the level body, m, shape (n, 3, k).
    way
        Offsets of the body at the ends of equal parts of the way.

    Returns
    -------
    ndarray
        Of each leg and each of its places, shape (n, k), infinite where the foot is out of reach
        on the way.

    """
    turns = np.array([offset.rotation for offset in way]).transpose(0, 2, 1)
    shifts = np.array([offset.shift for offset in way])
    # Shape (legs, ends, axes, places).
    seen = turns @ (feet[:, None] - shifts[:, :, None])
    angles = legs.angles(seen.transpose(0, 2, 1, 3).reshape(len(legs), 3, -1))
    angles = angles.reshape(3, len(legs), len(way), -1)
    steps = np.abs(np.diff(angles, axis=2)) / speeds.T[:, :, None, None]
    times = PEAK_SPEED * (len(way) - 1) * steps.max(axis=(0, 2))
    return np.where(np.isnan(times), np.inf, times)


def fastest_towards(stances: Sequence[float], velocity: Point) -> float:
    """Highest speed in the direction of a velocity, from `fastest_stances`, m/s."""
    place = atan2(velocity[1], velocity[0]) * HEADINGS / tau
    low = int(place // 1.0)
    share = place - low
    return (1.0 - share) * stances[low % HEADINGS] + share * stances[(low + 1) % HEADINGS]


def _repeated(rows: Floats, count: int) -> Floats:
    """Repeat all rows so many times."""
    return rows[np.arange(count * len(rows)) % len(rows)]


def _directions(count: int) -> Floats:
    """Give unit vectors on level ground, all round, shape (count, 3)."""
    angle = tau * np.arange(count) / count
    return np.stack((np.cos(angle), np.sin(angle), np.zeros(count)), axis=-1)


def _efforts(legs: ManyLegs, places: Floats, velocities: Floats, speeds: Floats) -> Floats:
    """Highest share of the permitted joint speeds, shape (rows, parts), infinite out of reach.

    Parameters
    ----------
    legs
        One a row.
    places, velocities
        Of the foot, m and m/s, shape (rows, axes, parts, ...).
    speeds
        rad/s, shape (rows, 3).

    """
    rows, _, parts = places.shape[:3]
    rates = legs.rates(places.reshape(rows, 3, -1), velocities.reshape(rows, 3, -1))
    np.abs(rates, out=rates)
    rates /= speeds.T[:, :, None]
    highest: Floats = rates.max(axis=0).reshape(rows, parts, -1).max(axis=-1)
    return highest


def _crossings(effort: Callable[[Indices, Floats], Floats], count: int) -> Floats:
    """Part of the longest stride at which an effort comes to 1; above 1 in proportion.

    Parameters
    ----------
    effort
        Gives, of some rows and parts, the efforts, shape (rows, parts): in each row a convex
        function of the part, the same forth and back, and so nowhere less than on the spot.
    count
        Of rows.

    """
    parts = np.arange(STRIDES + 1) / STRIDES
    longest = effort(np.arange(count), parts[-1:])
    crossings: Floats = 1.0 / longest[:, 0]
    (rows,) = np.nonzero(longest[:, 0] > 1.0)
    if not rows.size:
        return crossings
    # Only the half in which it comes to 1 is searched more finely.
    middle = effort(rows, parts[HALF : HALF + 1])
    near = middle[:, 0] > 1.0
    if near.any():
        first = effort(rows[near], parts[:HALF])
        steps = _steps_to_one(np.hstack((first, middle[near])))
        crossings[rows[near]] = steps / STRIDES
    if not near.all():
        second = effort(rows[~near], parts[HALF + 1 : -1])
        steps = _steps_to_one(np.hstack((middle[~near], second, longest[rows[~near]])))
        crossings[rows[~near]] = (HALF + steps) / STRIDES
    return crossings


def _steps_to_one(efforts: Floats) -> Floats:
    """Count the steps along each row until it comes to 1, between two of them in proportion."""
    beyond = np.maximum((efforts > 1.0).argmax(axis=1), 1)
    low, high = (efforts[np.arange(len(efforts)), step] for step in (beyond - 1, beyond))
    with np.errstate(all='ignore'):
        shares = np.where(np.isfinite(high), (1.0 - low) / (high - low), 0.0)
    return np.where(low < 1.0, beyond - 1 + shares, 0.0)
