# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Whether a robot that stands would tip over on a path of its feet."""

from collections.abc import Sequence

from leg_kinematics.gait import Offset
from leg_kinematics.moves.paths import FeetPath
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver, centre_of_mass, static_margin

#: A foot that is no higher than this above the lowest one bears its share, m (our own): floor and
#: servos give way by about as much.
ON_THE_GROUND = 1e-3

#: Shares of a path at which it is looked at.
SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)


class Balance:
    """Looks for the moments in which the feet on the ground do not hold the robot.

    Parameters
    ----------
    robot
        The description.
    legs
        Its solvers.

    """

    def __init__(self, robot: Robot, legs: Sequence[LegSolver]) -> None:
        """Know the robot."""
        self._robot = robot
        self._legs = tuple(legs)

    def caution(self, path: FeetPath, start: Offset, goal: Offset) -> str:
        """Say where a path that can be solved tips the robot over; empty where it stands.

        Parameters
        ----------
        path
            Of the feet.
        start, goal
            Offset of the body from level at its ends.

        """
        if not self._robot.stands:
            return ''
        margin, up = min(self._margin(path, start.towards(goal, share), share) for share in SHARES)
        if margin >= 0.0:
            return ''
        return (
            f'{self._robot.name} would tip over unless it hangs on a stand: with '
            f'{", ".join(up)} off the ground its centre of mass is {-margin * 1e3:.0f} mm beyond '
            'the feet that stand'
        )

    def _margin(
        self, path: FeetPath, offset: Offset, share: float
    ) -> tuple[float, tuple[str, ...]]:
        """Give the static margin, m, and the legs off the ground; 0 for a robot that lies."""
        seen = path.feet(share)
        feet = [offset.place(foot) for foot in seen]
        ground = min(z for _, _, z in feet)
        if -ground <= self._robot.resting.height + ON_THE_GROUND:
            return 0.0, ()
        standing = [z <= ground + ON_THE_GROUND for _, _, z in feet]
        angles = [leg.angles(foot) for leg, foot in zip(self._legs, seen, strict=True)]
        x, y, _ = offset.place(centre_of_mass(self._robot, self._legs, angles))
        down = [(u, v) for (u, v, _), stands in zip(feet, standing, strict=True) if stands]
        names = zip(self._robot.leg_names, standing, strict=True)
        return static_margin(down, (x, y)), tuple(name for name, stands in names if not stands)
