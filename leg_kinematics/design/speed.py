# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Speed: how fast the gait walks, and what that asks of the servos."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.design.finding import Bounds, Finding
from leg_kinematics.design.steady_walk import HEADINGS, SteadyWalk
from leg_kinematics.gait import TRIPOD, GaitParameters
from leg_kinematics.robot import Robot

# All of these bounds are our own.

#: Share of `max_speed` or `max_yaw_rate` that a tripod has to reach.
REACHED = Bounds(good=0.80, bound=0.25)

#: Of the no-load speed of a servo. The speed of a direct-current motor falls in proportion to its
#: load, to half at half of its stall torque (textbook, from memory); a swinging leg carries only
#: itself.
STANDING = Bounds(good=0.50, bound=0.80)
SWINGING = Bounds(good=0.85, bound=1.00)

GROUP = 'fastest walk'

REMEDY = (
    'what the line names: faster servos, less lift, longer legs with more bent knees, the centre '
    'of mass nearer to the middle, a higher duty factor; or a lower max_speed'
)


def speed_finding(walk: SteadyWalk, parameters: GaitParameters) -> Finding:
    """Hold the speed of a walk against what the parameters ask for."""
    stride = walk.twist.speed * walk.duty_factor * walk.period
    way = f'stride {stride * 1e3:.3g} mm, ' if walk.heading != 'turning' else ''
    return Finding(
        GROUP,
        f'{walk.heading}, at {walk.duty_factor:.2f}',
        walk.speed,
        _unit(walk.heading),
        _bounds(walk.heading, walk.duty_factor, parameters),
        f'{way}limited by {walk.limit or _asked(walk.heading, parameters)}',
        REMEDY,
    )


def standstill_finding(
    heading: str, duty_factor: float, parameters: GaitParameters, reason: str
) -> Finding:
    """Tell of a walk that the gait does not walk, and why."""
    return Finding(
        GROUP,
        f'{heading}, at {duty_factor:.2f}',
        0.0,
        _unit(heading),
        _bounds(heading, duty_factor, parameters),
        f'the gait does not walk: {reason}',
        REMEDY,
    )


def together(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Make one line of those that tell, for one reason, that the robot walks in no direction."""
    walks = [finding for finding in findings if finding.group == GROUP]
    told: dict[str, list[Finding]] = {}
    for finding in walks:
        if not finding.value:
            told.setdefault(finding.detail, []).append(finding)
    merged: dict[str, Finding | None] = {}
    for same in told.values():
        if len(same) >= len(HEADINGS):
            factors = dict.fromkeys(finding.name.partition(', ')[2] for finding in same)
            name = 'any' if len(same) == len(walks) else f'any, {" and ".join(factors)}'
            advice = next((finding.advice for finding in same if finding.advice), ())
            merged[same[0].name] = replace(same[0], name=name, advice=advice)
            merged |= dict.fromkeys(finding.name for finding in same[1:])
    kept = (merged.get(each.name, each) if each.group == GROUP else each for each in findings)
    return tuple(finding for finding in kept if finding is not None)


def joint_speed_findings(robot: Robot, walks: Sequence[SteadyWalk]) -> list[Finding]:
    """Hold the joints of standing and of swinging legs against the no-load speed of their servos.

    All walks with one duty factor.
    """
    speeds = np.array([[link.servo.speed for link in leg.links] for leg in robot.legs])
    return [
        _joint_speed_finding(robot, walks, name, speeds, bounds)
        for name, bounds in (('standing', STANDING), ('swinging', SWINGING))
    ]


def _joint_speed_finding(
    robot: Robot,
    walks: Sequence[SteadyWalk],
    name: str,
    speeds: NDArray[np.float64],
    bounds: Bounds,
) -> Finding:
    found = []
    for walk in walks:
        counted = walk.standing if name == 'standing' else ~walk.standing
        shares = np.where(counted[:, :, np.newaxis], np.abs(walk.rates) / speeds, 0.0).max(axis=0)
        busiest = int(shares.argmax())
        found.append((float(shares.flat[busiest]), f'{robot.joints[busiest]}, {walk.heading}'))
    value, detail = max(found)
    return Finding(
        'servo speed used',
        f'{name}, at {walks[0].duty_factor:.2f}',
        value,
        'of no-load',
        bounds,
        detail,
        'faster servos, a longer swing time, less lift, a lower speed_share or max_speed',
    )


def _bounds(heading: str, duty_factor: float, parameters: GaitParameters) -> Bounds:
    """Tell what a walk has to reach.

    A walk of duty factor β has for its swing (1 - β)/β of the time of its stance, and is slower
    than the tripod by that.
    """
    asked = parameters.max_yaw_rate if heading == 'turning' else parameters.max_speed
    share = asked * (1.0 - duty_factor) / duty_factor * TRIPOD / (1.0 - TRIPOD)
    return Bounds(good=REACHED.good * share, bound=REACHED.bound * share)


def _asked(heading: str, parameters: GaitParameters) -> str:
    if heading == 'turning':
        return f'max_yaw_rate {parameters.max_yaw_rate:g} rad/s'
    return f'max_speed {parameters.max_speed:g} m/s'


def _unit(heading: str) -> str:
    return 'rad/s' if heading == 'turning' else 'm/s'
