# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A picture of a line on paper: the marks beside the ruler, and what was to be expected of them."""

import numpy as np
from matplotlib.figure import Figure

from leg_kinematics.design.line_on_paper import MARK, MM, MarkedLine

#: Colours of Okabe and Ito, Color Universal Design, 2008 (from memory).
MARKED, EXPECTED, SLACK, LEFT = 'black', '#0072b2', '#d55e00', '#009e73'


def draw_line_on_paper(line: MarkedLine) -> Figure:
    """Draw marks and expectations along the line, and below them what is left over."""
    figure = Figure(figsize=(9.0, 7.5), layout='constrained')
    marks, left = figure.subplots(2, 1, sharex=True, height_ratios=(2.2, 1.0))
    along = MM * line.plan.length * line.plan.shares
    parts = line.expected
    told = MM * (parts.steps + parts.dead_band)
    marks.plot(along, told, 's--', color=EXPECTED, label='expected by check: steps, dead bands')
    marks.plot(along, MM * parts.whole, '^:', color=SLACK, label='and with the slack as measured')
    marks.plot(along, MM * line.measured, 'o-', color=MARKED, label='marked')
    marks.set(
        ylabel='beside the ruler, to the left (mm)',
        title=f'{line.plan.leg}: a line of {MM * line.plan.length:.0f} mm on paper',
    )
    share = line.plan.shares
    # 95 % of a normal distribution, of a mark beside a ruler through the marks at both ends.
    scatter = 1.96 * MM * MARK * np.sqrt(1.0 + (1.0 - share) ** 2 + share**2)
    scatter[[0, -1]] = 0.0
    left.fill_between(along, -scatter, scatter, color='0.85', label='pen and ruler (95 %)')
    left.plot(along, MM * line.left, 'o-', color=LEFT, label='left over')
    left.set(xlabel='along the line (mm)', ylabel='left over (mm)')
    for axes in (marks, left):
        axes.axhline(0.0, color='black', linewidth=1)
        axes.grid(alpha=0.3)
    figure.legend(loc='outside lower center', ncols=3)
    return figure
