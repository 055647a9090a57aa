# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Questions at the bench, asked on a page until somebody leaves."""

from collections.abc import Callable, Sequence
from time import monotonic

from leg_kinematics.calibration.question import Asking
from leg_kinematics.commands.bench.question_page import QuestionPage, SteppedBench
from leg_kinematics.commands.options.page_options import PageOptions, serve_page
from leg_kinematics.robot import Robot
from leg_kinematics.solver import leg_solvers, posture_angles
from leg_kinematics.view.watching import Watching

CAUTION = 'One page leads and moves servos; keep the switch of the battery in reach all the same.'


def resting_angles(robot: Robot) -> tuple[float, ...]:
    """Give the joints of a robot that rests, rad, in its order."""
    return tuple(
        angle for leg in posture_angles(robot, leg_solvers(robot), 'resting') for angle in leg
    )


def ask_on_page(
    page: PageOptions,
    asking: Asking,
    bench: SteppedBench,
    robot: Robot,
    *,
    angles: Callable[[], Sequence[float]],
    about: Callable[[], str],
    shown: Callable[[], str],
) -> None:
    """Ask until somebody leaves; Ctrl-C, SIGTERM and the end of the terminal leave as well.

    Parameters
    ----------
    page
        Where it is served.
    asking, bench, angles, about, shown
        As `QuestionPage` has them.
    robot
        That is drawn.

    Raises
    ------
    LegKinematicsError
        The address cannot be had, or a package is missing.

    """
    watching = Watching(robot, leg_solvers(robot), {}, '/')
    house = QuestionPage(
        asking, bench, watching, angles=angles, about=about, shown=shown, clock=monotonic
    )
    serve_page(
        house,
        lan=page.lan,
        port=page.port,
        browser=page.browser,
        may='answer and move the servos',
        caution=CAUTION,
        ended=lambda: house.ended,
    )
