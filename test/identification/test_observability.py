# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Indices of observability, against numbers worked out elsewhere, and the choice by them."""

from itertools import combinations
from math import cos, radians, sin, sqrt, tan

import numpy as np
import pytest

from leg_kinematics.identification.observability import Floats, Observability, most_telling

SEED = 20261201


def indices(found: Observability) -> tuple[float, ...]:
    """Return O1 to O5."""
    return (found.o1, found.o2, found.o3, found.o4, found.o5)


def planar(q1: float, q2: float) -> Floats:
    """Return d(x, y) / d(q1, q2, l1, l2) of a planar arm of two links of length 1.

    x = cos q1 + cos(q1 + q2), y = sin q1 + sin(q1 + q2); differentiated by hand.
    """
    both = q1 + q2
    return np.array(
        [
            [-sin(q1) - sin(both), -sin(both), cos(q1), cos(both)],
            [cos(q1) + cos(both), cos(both), sin(q1), sin(both)],
        ]
    )


def test_singular_values_of_which_the_indices_are_worked_out_by_hand() -> None:
    """Values 4, 2, 1 of three measurements: O1 is 8^(1/3) / sqrt(3), O5 1 / (1/4 + 1/2 + 1)."""
    found = Observability.of(np.diag([2.0, 4.0, 1.0]), 3)
    assert indices(found) == pytest.approx((2.0 / sqrt(3.0), 1 / 4, 1.0, 1 / 4, 4 / 7))
    assert np.abs(found.blindest) == pytest.approx([0.0, 0.0, 1.0])


@pytest.mark.parametrize('turned', [0.0, 40.0])
def test_a_planar_arm_in_three_poses(turned: float) -> None:
    """Its singular values are tan 72, 2 sin 72, 2 sin 36 and tan 36 degrees.

    Worked out by computer algebra from the same two equations; O2 is sqrt(5) - 2 in closed form.
    Turning the whole arm changes nothing.
    """
    poses = [
        planar(radians(q1 + turned), radians(q2)) for q1, q2 in ((0, 30), (90, 90), (180, 150))
    ]
    jacobian = np.vstack(poses)
    values = np.linalg.svd(jacobian, compute_uv=False)
    expected = [
        tan(radians(72.0)), 2.0 * sin(radians(72.0)), 2.0 * sin(radians(36.0)), tan(radians(36.0)),
    ]  # fmt: skip
    assert values == pytest.approx(expected)
    assert indices(Observability.of(jacobian, 3)) == pytest.approx(
        (0.863340021, sqrt(5.0) - 2.0, 0.726542528, 0.171513425, 0.324919696)
    )


def test_poses_of_the_same_knee_tell_two_combinations() -> None:
    """Whatever the shoulder does: rank 2, and no index pretends otherwise."""
    poses = [planar(radians(q1), radians(70.0)) for q1 in (0.0, 50.0, 100.0)]
    found = Observability.of(np.vstack(poses), 3)
    assert found.rank == 2
    assert indices(found) == (0.0, 0.0, 0.0, 0.0, 0.0)
    assert np.vstack(poses) @ found.blindest == pytest.approx(np.zeros(6), abs=1e-12)


def test_fewer_rows_than_unknowns() -> None:
    """One pose of the arm cannot tell four unknowns."""
    found = Observability.of(planar(0.3, 0.9), 1)
    assert found.rank == 2
    assert planar(0.3, 0.9) @ found.blindest == pytest.approx(np.zeros(2), abs=1e-12)


def determinant(candidates: list[Floats], places: tuple[int, ...], covariance: Floats) -> float:
    """Return log det of the information of all that is known after some measurements, by hand."""
    information = np.linalg.inv(covariance)
    for place in places:
        information = information + candidates[place].T @ candidates[place]
    return float(np.linalg.slogdet(information).logabsdet)


def test_every_choice_adds_the_most() -> None:
    """Each is the best of all that are left, by the determinant worked out afresh."""
    random = np.random.default_rng(SEED)
    candidates = [random.normal(size=(3, 6)) for _ in range(25)]
    root = random.normal(size=(6, 6))
    covariance = root @ root.T + np.eye(6)
    chosen = most_telling(candidates, covariance, 6)
    assert len(set(chosen)) == 6
    for count in range(6):
        before = chosen[:count]
        gains = {
            place: determinant(candidates, (*before, place), covariance)
            for place in range(25)
            if place not in before
        }
        assert max(gains, key=gains.__getitem__) == chosen[count]


def test_the_choice_is_nearly_the_best_of_all() -> None:
    """Choosing one by one reaches 1 - 1/e of the best set at least.

    Nemhauser, Wolsey and Fisher, An analysis of approximations for maximizing submodular set
    functions, 1978 (from memory); here the gain in log det over nothing, against all sets of three.
    """
    random = np.random.default_rng(SEED)
    for _ in range(10):
        candidates = [random.normal(size=(2, 4)) for _ in range(9)]
        chosen = most_telling(candidates, np.eye(4), 3)
        best = max(
            determinant(candidates, places, np.eye(4)) for places in combinations(range(9), 3)
        )
        assert determinant(candidates, chosen, np.eye(4)) >= (1.0 - np.exp(-1.0)) * best


def test_more_are_asked_for_than_there_are() -> None:
    """All of them, then."""
    assert sorted(most_telling([np.eye(2), 2.0 * np.eye(2)], np.eye(2), 5)) == [0, 1]
