# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Clearance: how close the legs come to each other and to the body, and the body to the ground."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from leg_kinematics.design.finding import Bounds, Finding
from leg_kinematics.design.steady_walk import SteadyWalk
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver, box_distances, joint_points, segment_distances

Array = NDArray[np.float64]

#: Cables, screws and the play of the joints stand out of the capsules (our own rule of thumb).
CLEARANCE = Bounds(good=0.010, bound=0.002)

#: The box holds the body, corners and screws included, so that only its legs stand out of theirs.
BODY_CLEARANCE = Bounds(good=0.002, bound=0.0)

#: A body that rests on the ground touches it, and neither is even (our own).
RESTING_CLEARANCE = Bounds(good=0.0, bound=-0.002)

#: A walking body sags by so much more than it stands (our own rule of thumb).
SAG = 0.005

#: The coxa begins in the body, and cannot be clear of it.
CLEAR_OF_THE_BODY = slice(1, 3)

#: Every so many-th instant of a cycle is compared.
STRIDE = 2


def clearance_finding(
    robot: Robot, legs: Sequence[LegSolver], walks: Sequence[SteadyWalk]
) -> Finding:
    """Least distance between the capsules of two legs over the cycles of walks.

    Every instant of one leg is held against every instant of the other: while the velocity
    changes, the legs do not keep the phases of a steady walk.
    """
    found = []
    for walk in walks:
        points = [
            joint_points(solver, walk.angles[::STRIDE, leg]) for leg, solver in enumerate(legs)
        ]
        for one, other in combinations(range(len(legs)), 2):
            for i, link in enumerate(robot.legs[one].links):
                for j, against in enumerate(robot.legs[other].links):
                    gaps = segment_distances(
                        points[one][:, np.newaxis, i],
                        points[one][:, np.newaxis, i + 1],
                        points[other][np.newaxis, :, j],
                        points[other][np.newaxis, :, j + 1],
                    )
                    names = (robot.legs[one].joints[i], robot.legs[other].joints[j])
                    gap = float(gaps.min()) - link.radius - against.radius
                    found.append((gap, f'{names[0]} and {names[1]}, {walk.heading}'))
    value, detail = min(found)
    return Finding(
        'clearance',
        'two legs',
        value,
        'm',
        CLEARANCE,
        detail=detail,
        remedy='mounts farther apart, other directions of the legs, slimmer links, tighter coxa '
        'limits, feet farther apart',
    )


def body_finding(
    robot: Robot,
    legs: Sequence[LegSolver],
    postures: Sequence[Sequence[Vector]],
    walks: Sequence[SteadyWalk],
) -> Finding:
    """Least distance of femora and tibiae from the box of the body, postures and walks alike."""
    kinds = [('standing up', np.array(postures)), *((each.heading, each.angles) for each in walks)]
    found = []
    for kind, angles in kinds:
        for index, (leg, solver) in enumerate(zip(robot.legs, legs, strict=True)):
            points = joint_points(solver, angles[:, index])
            links = list(enumerate(leg.links))[CLEAR_OF_THE_BODY]
            for joint, link in links:
                gaps = box_distances(points[:, joint], points[:, joint + 1], robot.body.size)
                found.append((float(gaps.min()) - link.radius, f'{leg.joints[joint]}, {kind}'))
    value, detail = min(found)
    return Finding(
        'clearance',
        'legs and body',
        value,
        'm',
        BODY_CLEARANCE,
        detail=f'{detail}; the coxae, which begin in the body, are left out',
        remedy='mounts farther out, a longer coxa, slimmer links, tighter limits, a lower resting '
        'posture; a smaller size of the body, if the body does not fill its box',
    )


def ground_findings(robot: Robot, lift: float) -> list[Finding]:
    """How far the underside of the body is above level ground.

    What a foot steps over, the underside has to pass over as well: to pass, it walks higher than
    the feet are lifted.
    """
    below = 0.5 * robot.body.size[2]
    walking = Bounds(good=max(lift, SAG), bound=SAG)
    kinds = (
        ('underside, resting', robot.resting.height, RESTING_CLEARANCE, 'the ground may carry it'),
        (
            'underside, walking',
            robot.standing.height,
            walking,
            f'feet are lifted by {lift * 1e3:.3g} mm over what is in the way',
        ),
    )
    return [
        Finding(
            'clearance',
            name,
            # Of 30.5 mm less half of 61 mm nothing is left, not even rounding.
            round(height - below, 9),
            'm',
            bounds,
            detail=detail,
            remedy='more height of the posture, a flatter body, less lift of the gait',
        )
        for name, height, bounds, detail in kinds
    ]
