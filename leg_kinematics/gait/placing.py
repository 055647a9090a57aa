# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Which feet to put in their places next, so that the others hold the body meanwhile."""

from collections.abc import Collection, Sequence

from leg_kinematics.gait.planar import Point
from leg_kinematics.solver import static_margin


def next_to_place(
    feet: Sequence[Point],
    standing: Collection[int],
    misplaced: Sequence[int],
    centre: Point,
    least: float,
    *,
    patient: bool = False,
) -> list[int]:
    """Choose legs to lift together.

    Parameters
    ----------
    feet
        Of all legs, m.
    standing
        Legs whose feet are on the ground.
    misplaced
        Legs whose feet have to be put elsewhere, the most urgent one first: one or more, and not
        only such as stand.
    centre
        Projection of the centre of mass, m.
    least
        Static margin that the other feet have to keep, m.
    patient
        Whether to wait where no leg may be lifted.

    Returns
    -------
    list of int
        As many as may be lifted, but no more than half of the legs that stand. Where not even one
        may, none if that can wait; else the one whose absence leaves the largest margin: a robot
        that tips comes to rest on the foot that it puts down.

    """

    def margin_without(lifted: Collection[int]) -> float:
        return static_margin([feet[leg] for leg in standing if leg not in lifted], centre)

    chosen: list[int] = []
    for leg in misplaced:
        if len(chosen) < len(standing) // 2 and margin_without([*chosen, leg]) >= least:
            chosen.append(leg)
    if chosen or patient:
        return chosen
    return [max(misplaced, key=lambda leg: margin_without([leg]))]
