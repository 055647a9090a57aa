# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Battery: what the servos draw, and for how many minutes."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.design.finding import Bounds, Finding
from leg_kinematics.design.load import stall_shares, walking_shares
from leg_kinematics.design.steady_walk import SteadyWalk
from leg_kinematics.errors import BalanceError
from leg_kinematics.robot import Battery, Robot, Vector
from leg_kinematics.solver import LegSolver

Array = NDArray[np.float64]

#: What a hobby servo draws while it holds nothing, A (common practice, no source).
IDLE = 0.010

#: Share of the capacity that is drawn before a battery is charged again; emptier ones wear out
#: (common practice, no source).
USED = 0.8

#: A walk that is over sooner is hardly worth the charging (our own rule of thumb), s.
DURATION = Bounds(good=600.0, bound=120.0)

ASSUMED = (
    f'battery: of postures held still, current in proportion to torque, {IDLE * 1e3:.3g} mA more a '
    f'servo, {USED:.0%} of the capacity; computer, camera and losses are not counted'
)


def battery_findings(
    robot: Robot, legs: Sequence[LegSolver], standing: Sequence[Vector], walks: Sequence[SteadyWalk]
) -> tuple[list[Finding], str]:
    """How long the battery lasts, standing and in each of these walks.

    Parameters
    ----------
    robot
        The description.
    legs
        Its solvers.
    standing
        Angles of the standing posture, rad.
    walks
        The walks to ask about.

    Returns
    -------
    tuple
        Minutes, with the currents in the detail; and what was assumed, or what the description
        has to tell before there are any.

    """
    servos = {link.servo.name: link.servo for leg in robot.legs for link in leg.links}
    silent = [name for name, servo in servos.items() if servo.stall_current is None]
    if robot.battery is None or silent:
        wanted = [f'servos.{name}.stall_current: 2 A' for name in silent]
        if robot.battery is None:
            wanted.insert(0, 'battery: {capacity: 2200 mAh, voltage: 7.4 V}')
        needed = f'needs to say, for example, {" and ".join(wanted)}'
        return [], f'battery: to tell current and minutes, {robot.document.file} {needed}'
    stall = np.array([[link.servo.stall_current for link in leg.links] for leg in robot.legs])
    findings = []
    for walk in (None, *walks):
        value = None
        try:
            if walk is None:
                shares = stall_shares(robot, legs, standing, (True,) * len(legs))[np.newaxis]
            else:
                shares = walking_shares(robot, legs, walk)
        except BalanceError as error:
            detail = str(error)
        else:
            currents = currents_of(shares, stall)
            value = lasting(robot.battery, currents)
            mean = float(currents.mean())
            detail = (
                f'{mean:.3g} A, {mean * robot.battery.voltage:.3g} W, at most '
                f'{currents.max():.3g} A; with all servos stalled {stall.sum():.3g} A'
            )
        findings.append(
            Finding(
                'battery',
                'standing' if walk is None else f'walking {walk.heading}',
                value,
                's',
                DURATION,
                detail=detail,
                remedy='more capacity, less mass, feet closer to the body',
            )
        )
    return findings, ASSUMED


def currents_of(shares: Array, stall: Array) -> Array:
    """Add up what all servos draw at each instant, A, shape (n,).

    Parameters
    ----------
    shares
        Of the stall torque, shape (n, legs, 3).
    stall
        Stall currents, A, shape (legs, 3).

    Notes
    -----
    The torque of a direct-current motor with permanent magnets is proportional to its current
    (Fitzgerald, Kingsley and Umans, Electric Machinery, the chapter on DC machines; from memory).
    Friction in the gears, which helps to hold and hinders to lift, is left out.

    """
    currents: Array = (IDLE + shares * stall).sum(axis=(1, 2))
    return currents


def lasting(battery: Battery, currents: Array) -> float:
    """How long a full battery feeds these currents in turn, s."""
    return USED * battery.capacity / float(currents.mean())
