# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A design as it stands on flat ground, which the page shows as soon as a file is saved."""

from dataclasses import replace

from leg_kinematics.chain.values import FootTargets
from leg_kinematics.design.design import Design
from leg_kinematics.design.doubts import find_doubts
from leg_kinematics.errors import LegKinematicsError
from leg_kinematics.robot import Leg, Vector
from leg_kinematics.view.messages import Doubt, Doubts, Frame, Pose, Robot
from leg_kinematics.view.watching import Known, Moving, Watching

AT_REST: Vector = (0.0, 0.0, 0.0)
LEVEL = (0.0, 0.0, 0.0, 1.0)


class Standing:
    """One design, for the page.

    Parameters
    ----------
    design
        The design.

    Attributes
    ----------
    robot
        What the robot is.
    doubts
        What may be a mistake in its description, and which legs cannot stand so.

    """

    robot: Robot
    doubts: Doubts

    def __init__(self, design: Design) -> None:
        """Put the feet where they stand."""
        described = design.robot
        maps = {} if design.maps is None else design.maps.by_joint
        self._watching = Watching(described, design.bare, maps, '/')
        self.robot = self._watching.robot
        angles: list[float] = []
        out_of_reach = []
        for leg, solver, foot in zip(
            described.legs, design.bare, described.standing.feet, strict=True
        ):
            try:
                angles += solver.angles(foot)
            except LegKinematicsError:
                # Why is told by the lines of the report that are about reach.
                out_of_reach.append(leg.name)
                angles += _stretched(leg)
        if out_of_reach or not described.stands:
            # Nobody knows what carries such a robot.
            self._known = Known(angles=angles)
        else:
            self._known = Known(
                angles=angles,
                targets=FootTargets(
                    0,
                    described.leg_names,
                    (0.0,),
                    [described.standing.feet],
                    [[AT_REST] * len(described.legs)],
                ),
                moving=Moving(Pose((0.0, 0.0, described.standing.height), LEVEL), AT_REST, AT_REST),
            )
        doubts = find_doubts(described, design.maps)
        doubted = {name for doubt in doubts for name in doubt.legs} | set(out_of_reach)
        self.doubts = Doubts(
            tuple(Doubt(doubt.seen, doubt.cure) for doubt in doubts),
            tuple(out_of_reach),
            tuple(name for name in described.leg_names if name in doubted),
        )

    def frame(self, at: float) -> Frame:
        """Show it at an instant, s: it stands, and nobody asks it to do anything."""
        frame = self._watching.frame(at, self._known)
        return replace(frame, foot_targets=None, walked=None)


def _stretched(leg: Leg) -> tuple[float, ...]:
    """Give the angles of a leg that is as straight as its limits let it, rad."""
    return tuple(min(max(0.0, link.lower), link.upper) for link in leg.links)
