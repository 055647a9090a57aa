# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A recorded walk: what the mock boards were told beside what the gait wanted, in figures."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from operator import itemgetter

import numpy as np
from nav_msgs.msg import Odometry
from numpy.typing import NDArray
from trajectory_msgs.msg import MultiDOFJointTrajectory

from leg_kinematics.board import Record
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.nodes.translation import messages
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, centre_of_mass, static_margin

Array = NDArray[np.float64]

#: A target this close to the lowest one is on the ground, m.
ON_GROUND = 1e-6

#: Points whose times are closer are of the same instant, s.
SAME_INSTANT = 1e-3

#: The latency of a pose is sought within these bounds, s. Joints that had to wait for their stream
#: are behind it for a while, by up to 0.25 s, and on their path all the same.
LATENCY_RANGE = (-0.05, 0.35)

COARSE_STEP = 0.002
REFINEMENTS = 4


@dataclass(frozen=True)
class Walk:
    """A recorded walk in arrays.

    Attributes
    ----------
    times
        Of the gait's targets on the machine's monotonic clock, s, shape (n,).
    feet, velocities
        The gait's targets in `base_link`, m and m/s, shape (n, legs, 3).
    standing
        Feet that are on the ground, shape (n, legs).
    pose_times
        When the first board received each pose, s, shape (m,).
    pulses
        What all boards had been told by then, µs, shape (m, joints).
    angles
        The pulses through the servo maps, rad, shape (m, joints).
    told_feet
        The angles through forward kinematics, m, shape (m, legs, 3).
    odom_times
        s, shape (k,).
    odom
        x, y, yaw of the body and its twist vx, vy, yaw rate, shape (k, 6).
    groups
        Legs that hang on the same boards.

    """

    times: Array
    feet: Array
    velocities: Array
    standing: NDArray[np.bool_]
    pose_times: Array
    pulses: Array
    angles: Array
    told_feet: Array
    odom_times: Array
    odom: Array
    groups: tuple[tuple[int, ...], ...]


def read_walk(
    legs: Sequence[LegSolver],
    maps: ServoMaps,
    targets: Sequence[MultiDOFJointTrajectory],
    odometry: Sequence[Odometry],
    records: Mapping[str, Sequence[Record]],
    *,
    clock_offset: float,
) -> Walk:
    """Put a recording into arrays.

    Parameters
    ----------
    legs, maps
        Of the robot.
    targets
        Everything that the gait published.
    odometry
        Everything that the gait published.
    records
        The log of each mock board, by name.
    clock_offset
        ROS time minus monotonic time, s.

    """
    told_of = [
        (
            messages.seconds_of(message.header.stamp)
            + messages.seconds_of(point.time_from_start)
            - clock_offset,
            point,
        )
        for message in targets
        for point in message.points
    ]
    told_of.sort(key=itemgetter(0))
    times, points = zip(
        *(
            later
            for earlier, later in pairwise([(-np.inf, None), *told_of])
            if later[0] - earlier[0] > SAME_INSTANT
        ),
        strict=True,
    )
    feet = np.array(
        [
            [(t.translation.x, t.translation.y, t.translation.z) for t in point.transforms]
            for point in points
        ]
    )
    velocities = np.array(
        [[(v.linear.x, v.linear.y, v.linear.z) for v in point.velocities] for point in points]
    )
    ground = feet[:, :, 2].min(axis=1, keepdims=True)
    pose_times, pulses = _pulses(maps, records, times[0])
    angles = np.array(
        [[m.angle(pulse) for m, pulse in zip(maps.maps, row, strict=True)] for row in pulses]
    )
    told = np.array(
        [
            [leg.foot((row[3 * i], row[3 * i + 1], row[3 * i + 2])) for i, leg in enumerate(legs)]
            for row in angles
        ]
    )
    return Walk(
        np.array(times),
        feet,
        velocities,
        feet[:, :, 2] - ground < ON_GROUND,
        pose_times,
        pulses,
        angles,
        told,
        np.array([messages.seconds_of(each.header.stamp) - clock_offset for each in odometry]),
        np.array([_odometry_row(each) for each in odometry]),
        _groups(maps),
    )


def _pulses(
    maps: ServoMaps, records: Mapping[str, Sequence[Record]], since: float
) -> tuple[Array, Array]:
    """When the first board received each pose since an instant, and all pulses told by then."""
    poses = [
        (each.time, board, each.pulses_us)
        for board, log in records.items()
        for each in log
        if each.event == 'pose'
    ]
    poses.sort(key=itemgetter(0))
    outputs = [(each.board, each.channel) for each in maps.maps]
    told: dict[tuple[str, int], float] = {}
    times, rows = [], []
    for time, board, pulses in poses:
        told |= {(board, channel): pulse for channel, pulse in pulses.items()}
        if board == maps.boards[0] and time >= since and told.keys() >= set(outputs):
            times.append(time)
            rows.append([told[output] for output in outputs])
    return np.array(times), np.array(rows)


def _groups(maps: ServoMaps) -> tuple[tuple[int, ...], ...]:
    """Put together the legs, of three joints each, that hang on the same boards."""
    groups: dict[frozenset[str], list[int]] = {}
    for first in range(0, len(maps.maps), 3):
        boards = frozenset(each.board for each in maps.maps[first : first + 3])
        groups.setdefault(boards, []).append(first // 3)
    return tuple(map(tuple, groups.values()))


def _odometry_row(message: Odometry) -> tuple[float, ...]:
    position, orientation = message.pose.pose.position, message.pose.pose.orientation
    yaw = 2.0 * np.arctan2(orientation.z, orientation.w)
    twist = message.twist.twist
    return (position.x, position.y, float(yaw), twist.linear.x, twist.linear.y, twist.angular.z)


@dataclass(frozen=True)
class FootErrors:
    """How far the feet, as told to the board, were from the gait's targets.

    Attributes
    ----------
    errors
        Of each pose and foot, m, shape (m, legs).
    latencies
        From the gait's target to its pose at the board, s, of each pose in motion.

    """

    errors: Array
    latencies: Array


def foot_errors(walk: Walk) -> FootErrors:
    """Compare each pose with the gait's path at the instant that suits all its feet best.

    One instant a pose, the same for all feet on a board, takes the latency out and leaves the
    error. Boards hear of the same instant one after another.
    """
    found = [_errors_of(walk, list(group)) for group in walk.groups]
    errors = np.empty((len(found[0].errors), walk.feet.shape[1]))
    for group, of_group in zip(walk.groups, found, strict=True):
        errors[:, list(group)] = of_group.errors
    return FootErrors(errors, np.concatenate([each.latencies for each in found]))


def _errors_of(walk: Walk, group: list[int]) -> FootErrors:
    walk = replace(
        walk,
        feet=walk.feet[:, group],
        velocities=walk.velocities[:, group],
        told_feet=walk.told_feet[:, group],
    )
    inside = walk.pose_times < walk.times[-1] - LATENCY_RANGE[1]
    told = walk.told_feet[inside]
    received = walk.pose_times[inside]
    latencies = np.arange(*LATENCY_RANGE, COARSE_STEP)
    best = np.zeros(len(told))
    least = np.full(len(told), np.inf)
    for latency in latencies:
        square = ((_path(walk, received - latency)[0] - told) ** 2).sum(axis=(1, 2))
        better = square < least
        best[better] = latency
        least[better] = square[better]
    for _ in range(REFINEMENTS):
        feet, speeds = _path(walk, received - best)
        speed2 = (speeds**2).sum(axis=(1, 2))
        step = ((told - feet) * speeds).sum(axis=(1, 2)) / np.where(speed2 > 1e-9, speed2, np.inf)
        best -= np.clip(step, -COARSE_STEP, COARSE_STEP)
    feet, _ = _path(walk, received - best)
    moving = walk_speed(walk, received - best) > 1e-3
    return FootErrors(np.linalg.norm(told - feet, axis=2), best[moving])


def walk_speed(walk: Walk, times: Array) -> Array:
    """Speed of the fastest foot at each time, m/s."""
    _, speeds = _path(walk, times)
    fastest: Array = np.linalg.norm(speeds, axis=2).max(axis=1)
    return fastest


def _path(walk: Walk, times: Array) -> tuple[Array, Array]:
    """Feet and velocities on the cubic through the gait's targets."""
    times = np.clip(times, walk.times[0], walk.times[-1])
    i = np.clip(np.searchsorted(walk.times, times, side='right') - 1, 0, len(walk.times) - 2)
    span = (walk.times[i + 1] - walk.times[i])[:, None, None]
    u = (times - walk.times[i])[:, None, None] / span
    p, q, v, w = walk.feet[i], walk.feet[i + 1], walk.velocities[i], walk.velocities[i + 1]
    feet = p + u * u * (3 - 2 * u) * (q - p) + span * u * (1 - u) * ((1 - u) * v - u * w)
    speeds = 6 * u * (1 - u) * (q - p) / span + (1 - u) * (1 - 3 * u) * v + u * (3 * u - 2) * w
    return feet, speeds


def smallest_margin(walk: Walk, robot: Robot, legs: Sequence[LegSolver]) -> float:
    """Smallest static margin over all poses, m, by the feet that the gait has on the ground."""
    smallest = np.inf
    for index in range(len(walk.pose_times)):
        target = min(int(np.searchsorted(walk.times, walk.pose_times[index])), len(walk.times) - 1)
        row = walk.angles[index]
        angles: list[Vector] = [
            (row[3 * leg], row[3 * leg + 1], row[3 * leg + 2]) for leg in range(len(legs))
        ]
        feet = [
            (float(foot[0]), float(foot[1]))
            for foot, stands in zip(walk.told_feet[index], walk.standing[target], strict=True)
            if stands
        ]
        centre = centre_of_mass(robot, legs, angles)
        smallest = min(smallest, static_margin(feet, (centre[0], centre[1])))
    return float(smallest)


def distances(walk: Walk) -> tuple[float, float, float]:
    """Length of the way by the limited velocity and by the poses, m, and how far they part.

    Both ways are taken over the ticks whose odometry arrived: on a busy machine a message is
    lost now and then, and with it the velocity of its tick.

    Returns
    -------
    tuple of float
        Integral of the commanded (limited) speed, length of the way of the poses, and largest
        difference between both ways at any time.

    """
    x, y, yaw, vx, vy, rate = walk.odom.T
    intervals = np.diff(walk.odom_times)
    tick = np.median(intervals)
    heard = intervals < 1.5 * tick
    turns = np.where(heard, rate[1:] * tick, np.diff(np.unwrap(yaw)))
    middle = (yaw[0] + np.cumsum(turns) - 0.5 * turns)[heard]
    forward, left = vx[1:][heard], vy[1:][heard]
    cos, sin = np.cos(middle), np.sin(middle)
    asked = tick * np.stack([forward * cos - left * sin, forward * sin + left * cos])
    made = np.stack([np.diff(x), np.diff(y)])[:, heard]
    commanded = float(np.hypot(*asked).sum())
    walked = float(np.hypot(*made).sum())
    return commanded, walked, float(np.hypot(*np.cumsum(asked - made, axis=1)).max())
