# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How a number is told to be mistyped, against numbers of statsmodels and scipy.

The line is that of an example computed with statsmodels (fit, leverage, studentised residuals,
leave-one-out residual); limits are quantiles as scipy has them.
"""

from math import radians, sqrt
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import chi2

from leg_kinematics.calibration.measured import Reading
from leg_kinematics.identification.equations import READING, Equations
from leg_kinematics.identification.evidence import Evidence
from leg_kinematics.identification.model import Model
from leg_kinematics.identification.suspects import (
    MEDIAN_DEVIATION,
    Judged,
    excesses,
    judged,
    outlier_limit,
    settled,
    suspects,
)
from leg_kinematics.identification.tolerances import Tolerances
from leg_kinematics.robot import load_robot

BRACKEN = load_robot(Path(__file__).parents[2] / 'config/robots/bracken.yaml')
LEG = BRACKEN.legs[0]

#: y = 2 x + 1 with these errors, of which the eighth is 3 more; in hundredths of a radian.
ERRORS = np.array([0.1, -0.1, 0.05, 0.0, -0.05, 0.1, -0.1, 0.0, 0.05, -0.05])
UNIT = 1e-2
LINE = 2.0 * np.arange(10) + 1.0 + ERRORS + 3.0 * (np.arange(10) == 7)

#: A straight servo without slack; readings are trusted within 0.1 units.
STRAIGHT = Tolerances(
    bend=(1e-9, 1e-9, 1e-9, 1e-9, 1e-9), lag=0.0, lag_spread=1e-9, protractor=0.1 * UNIT
)


def line_of_coxa() -> Equations:
    """Return the equations of a leg whose coxa was read along the line, all else well."""
    coxa, femur, tibia = LEG.joints
    pulses = 1000.0 + 50.0 * np.arange(10)
    readings = [
        Reading(pulse, angle, 'up')
        for pulse, angle in zip(pulses.tolist(), (UNIT * LINE).tolist(), strict=True)
    ]
    others = tuple(Reading(pulse, radians(pulse / 10.0), 'up') for pulse in (1000.0, 1450.0))
    model = Model(
        legs=(LEG,),
        spans_us=dict.fromkeys(LEG.joints, (1000.0, 1450.0)),
        signs=dict.fromkeys(LEG.joints, 1),
        height=0.1,
        placements=(),
        marker=None,
    )
    evidence = Evidence({coxa: tuple(readings), femur: others, tibia: others})
    return Equations(model, evidence, STRAIGHT)


def of_line(equations: Equations) -> tuple[Judged, float]:
    """Fit all of it; return it judged, and the residual at x = 7, in units."""
    used = equations.all_used()
    values = equations.solved(equations.expected, used)
    found = judged(equations, values, equations.covariance(values, used), used)
    angles, _, _ = equations.deviations(values)
    return found, float(angles[7]) / UNIT


def test_residuals_of_a_line_are_those_of_statsmodels() -> None:
    """0.91 + 2.08666667 x; leverage 0.175757576; studentised 2.819326861 and 32.90255051."""
    equations = line_of_coxa()
    values = equations.solved(equations.expected, equations.all_used())
    middle, slope = values[equations.model.place_of_joint(LEG.joints[0])][:2] / UNIT
    assert slope / 4.5 == pytest.approx(2.08666667, abs=1e-6)
    assert middle - slope == pytest.approx(0.91, abs=1e-6)
    found, residual = of_line(equations)
    # Two joints of two readings each have no degree of freedom: eight are left of the line.
    assert found.freedom[READING] == pytest.approx(8.0, abs=1e-6)
    deviation = found.readings[7]
    leverage = 1.0 - (residual / (0.1 * deviation)) ** 2
    assert leverage == pytest.approx(0.175757576, abs=1e-6)
    assert residual / (1.0 - leverage) == pytest.approx(3.012867647, abs=1e-5)
    squares = found.squares[READING]
    assert deviation / sqrt(squares / 8.0) == pytest.approx(2.819326861, abs=1e-5)
    others = sqrt((squares - deviation**2) / 7.0)
    assert deviation / others == pytest.approx(32.90255051, rel=1e-4)


def test_the_error_in_a_line_is_found_and_named() -> None:
    """Without it the others say that it is 3 off, as it is but for their own errors."""
    equations = line_of_coxa()
    fit = settled(equations, equations.solved(equations.expected, equations.all_used()))
    (suspect,) = suspects(equations, fit)
    assert (suspect.name, suspect.place, suspect.coordinate) == (LEG.joints[0], 7, 'angle')
    assert suspect.off / UNIT == pytest.approx(3.012867647, abs=1e-5)
    # Of a prediction: a reading, and the line by nine others; by hand from the same leverage.
    spread = 0.1 * sqrt(1.0 + 0.175757576 / (1.0 - 0.175757576))
    assert suspect.spread / UNIT == pytest.approx(spread, rel=1e-4)


def test_limits_are_those_of_student_and_bonferroni() -> None:
    """For n = 30, p = 5 and 5 %: t of 24 degrees of freedom, 3.540469 (scipy)."""
    assert outlier_limit(30, 24.0, 0.05) == pytest.approx(3.540469, abs=1e-6)
    # Known scatter: the square of the limit of a single number is that of chi-square, 6.634897.
    assert outlier_limit(1) ** 2 == pytest.approx(chi2.ppf(0.99, 1), rel=1e-6)
    assert outlier_limit(1) ** 2 == pytest.approx(6.634897, abs=1e-5)


def test_median_deviation_is_that_of_a_normal_distribution() -> None:
    """1 / 1.482602219 (scipy)."""
    assert pytest.approx(1.0 / 1.482602219, abs=1e-9) == MEDIAN_DEVIATION


def test_the_scatter_is_told_without_the_number_itself() -> None:
    """One large error makes all scatter look large, but not that which it is compared with."""
    equations = line_of_coxa()
    found, _ = of_line(equations)
    used = equations.all_used()
    excess = excesses(equations, found, used, first=False)
    assert np.argmax(excess) == 7
    # Eight degrees of freedom less its own, and four that count for the tolerances (by hand).
    left = (found.squares[READING] - found.readings[7] ** 2 + 4.0) / 11.0
    limit = outlier_limit(14, 11.0) * sqrt(max(left, 1.0))
    assert excess[7] == pytest.approx(found.readings[7] / limit, rel=1e-9)
    assert found.scatter(used)[READING] > 5.0
