# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What the survey of a robot's legs wants of whatever moves them."""

from collections.abc import Mapping, Sequence
from typing import Protocol

from leg_kinematics.calibration.bench import Answered
from leg_kinematics.calibration.foot_readings import LegStand
from leg_kinematics.solver import Trajectory


class LegBench(Protocol):
    """Moves legs by joint angles, as the present servo maps have them, slowly and by orders only.

    Nothing is refused half: an order is carried out, or nothing of it is.
    """

    @property
    def obeys(self) -> bool:
        """Whether all legs have their pulses and can be moved."""

    @property
    def busy(self) -> bool:
        """Whether what was ordered is still being done: powering, moving, or stopping."""

    @property
    def angles(self) -> Mapping[str, float] | None:
        """Where the joints shall be now, rad by name; None while nobody knows where they are."""

    @property
    def speeds(self) -> Mapping[str, float]:
        """How fast a trajectory may be, rad/s by name of the joint."""

    def condition(self) -> object:
        """Say how the bench is; in words as a text."""

    def power(self) -> Answered:
        """Give the legs their pulses one after another, after every loss of power as well.

        A leg without pulses runs to its resting posture at full speed; one that has them stays
        where it is.
        """

    def go(self, waypoints: Sequence[Mapping[str, float]]) -> Answered:
        """Move slowly from waypoint to waypoint, and rest at the last one.

        Parameters
        ----------
        waypoints
            Joint angles, rad by name of the joint. The joints rest at each of them for an instant,
            and those that one does not name stay where they were.

        """

    def follow(self, joints: Sequence[str], trajectory: Trajectory) -> Answered:
        """Move along a trajectory that begins where the joints are, and rest at its end.

        Parameters
        ----------
        joints
            That it has columns for; the others stay where they are.
        trajectory
            From rest to rest, no faster than `speeds`.

        """

    def stop(self) -> Answered:
        """Come to rest at once, and stay there; what was planned is given up."""

    def stand(self, leg: str) -> LegStand | None:
        """Say at which pulses the servos of a leg rest, as their boards put them out.

        None while they move, and while it is not known that the boards put them out.
        """

    def release(self) -> Answered:
        """Stop all pulses, in every state; tell how far that has come."""
