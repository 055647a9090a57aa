# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A picture of a recorded run beside what today's code makes of it."""

from collections.abc import Sequence
from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib import pyplot as plt

from leg_kinematics.recording.differences import Comparison

#: Differences smaller than this are drawn there, since the axis is logarithmic.
NONE = 1e-16


def draw_comparison(comparisons: Sequence[Comparison], path: Path) -> None:
    """Write the differences of each stage over time, with what is permitted."""
    mpl.use('Agg')
    figure, grid = plt.subplots(
        len(comparisons),
        1,
        figsize=(11, 3.2 * len(comparisons)),
        sharex=True,
        squeeze=False,
        layout='constrained',
    )
    for axes, each in zip(grid[:, 0], comparisons, strict=True):
        axes.semilogy(each.instants, np.maximum(each.sizes, NONE), label='difference')
        axes.axhline(each.tolerance, color='tab:red', linestyle='--', label='permitted')
        if each.first is not None:
            axes.axvline(each.first.at, color='black', linestyle=':', label='first one above')
        axes.set(title=f'{each.stage}: then and today', ylabel=f'difference ({each.unit})')
        axes.legend(loc='upper left', bbox_to_anchor=(1.0, 1.0))
        axes.grid(alpha=0.3)
    grid[-1, 0].set(xlabel='time (s)')
    figure.savefig(path, dpi=110)
    plt.close(figure)
