# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Pulses: what the robot uses of the range of each servo."""

from collections.abc import Iterable, Iterator, Sequence
from itertools import chain

from leg_kinematics.calibration import ServoMap, ServoMaps
from leg_kinematics.design.finding import Bounds, Finding
from leg_kinematics.design.steady_walk import SteadyWalk
from leg_kinematics.errors import MapRangeError
from leg_kinematics.robot import Robot, Vector

#: So close to its ends a servo may meet its stop: horns and stops differ by a few degrees, of
#: some ten microseconds each (our own rule of thumb).
LEFT = Bounds(good=50.0, bound=5.0)


def pulse_findings(
    robot: Robot, maps: ServoMaps, postures: Iterable[Sequence[Vector]], walks: Iterable[SteadyWalk]
) -> Iterator[Finding]:
    """Give one line a servo that is wired: the pulses that postures and walks use, and its map."""
    rows = [list(chain.from_iterable(posture)) for posture in postures]
    for walk in walks:
        rows += walk.angles.reshape(len(walk.angles), -1).tolist()
    used = dict(zip(robot.joints, zip(*rows, strict=True), strict=True))
    for servo_map in maps.maps:
        angles = used[servo_map.joint]
        yield _pulse_finding(servo_map, min(angles), max(angles))


def _pulse_finding(servo_map: ServoMap, lowest: float, highest: float) -> Finding:
    left = None
    shortest, longest = servo_map.lowest_us, servo_map.highest_us
    first, last = servo_map.curve.pulse_span_us
    shortest, longest = max(shortest, first), min(longest, last)
    try:
        pulses = sorted(map(servo_map.pulse_us, (lowest, highest)))
    except MapRangeError as error:
        detail = str(error)
    else:
        left = min(pulses[0] - shortest, longest - pulses[1])
        detail = f'{pulses[0]:.0f} to {pulses[1]:.0f} µs of {shortest:g} to {longest:g} µs'
    return Finding(
        'pulse range left',
        servo_map.joint,
        left,
        'us',
        LEFT,
        detail=detail,
        remedy='put the horn on its spline so that the middle of the motion is at the centre '
        'pulse; calibrate; another standing posture',
    )
