# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Bundle adjustment: all unknowns of all photographs at once, by robust least squares.

Where every corner should be found is compared with where it was found. Gauss and Newton's step,
made shorter where it does not help (Levenberg and Marquardt); corners far from where they should be
count less (Huber, the constant for 95 % efficiency of two coordinates together). How well corners
are found is estimated from what is left over, for each photograph, for sheets and for foot markers
apart, and from that follow the covariances. Method: Triggs and others, Bundle adjustment - a modern
synthesis, 2000 (from memory).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import csr_array

from leg_kinematics.photogrammetry.camera import LENS, derivatives
from leg_kinematics.photogrammetry.scene import PRINT, Columns, Scene, Sightings

Floats = NDArray[np.float64]

#: Corners farther off than this many standard deviations count less.
HUBER = 2.0

#: Corners farther off than this many are taken for something else.
FARTHEST = 8.0

#: No corner is found better than this, px (computed for sharp pictures; see the tests).
FINEST = 0.03

#: What corners are taken to be off by before anything is known, px.
FIRST = 0.5

#: Photographs with few corners are judged with so many others' beside their own.
BORROWED = 8.0

#: Steps of the solver, and when it has come to rest: a step moves no unknown by more than this many
#: of its standard deviations.
MOST_STEPS, REST = 60, 1e-3


@dataclass(frozen=True)
class Beliefs:
    """What is known before any photograph, as standard deviations.

    Attributes
    ----------
    focal
        Of the focal length of a lens, relative; it is nearly unknown.
    middle
        Of the middle of the picture, in widths of the picture.
    radial, tangential
        Of k1, k2, k3 and of p1, p2.
    focus
        How much the focal length changes from photograph to photograph, relative: a lens of 5 mm
        that focuses from 0.8 m to 0.4 m moves by 0.6 % of its focal length (thin lens, by hand).
    stretch
        How much more a printer stretches one way than the other, relative.
    growth
        How much larger a marker comes out: ink that spreads, and corners that are found inwards.

    """

    focal: float = 0.5
    middle: float = 0.02
    radial: float = 0.3
    tangential: float = 0.002
    focus: float = 0.005
    stretch: float = 0.003
    growth: float = 0.02


@dataclass(frozen=True)
class Solution:
    """Where everything is, and how far that can be trusted.

    Attributes
    ----------
    scene
        All unknowns.
    seen
        The corners that were used.
    residuals
        Found beyond expected, px, shape (n, 2).
    sigmas
        How well each corner was found, a standard deviation in each coordinate, px, shape (n,).
    believed
        Which corners are not taken for something else, shape (n,).
    normal
        Matrix of the normal equations at the end, in the order of `Columns`.
    jacobian
        At the end, with a row for each coordinate of `seen`, times the root of its weight.

    """

    scene: Scene
    seen: Sightings
    residuals: Floats
    sigmas: Floats
    believed: NDArray[np.bool_]
    normal: Floats
    jacobian: csr_array

    def of_centres(self, without: int | None = None) -> Floats:
        """Return the covariances of the centres of all foot markers, m², shape (markers, 3, 3).

        Parameters
        ----------
        without
            Tell what they would be without this photograph; a marker that no other one shows is
            then known to a metre.

        """
        normal = self.normal
        columns = Columns.of(self.scene)
        if without is not None:
            rows = self.jacobian[np.repeat(self.seen.photograph == without, 2)]
            normal = normal - (rows.T @ rows).toarray()
            # A camera without corners, and a marker that is not seen, leave the equations singular.
            loose = np.zeros(columns.total)
            loose[columns.photographs] = loose[columns.markers] = 1.0
            loose[columns.sheets] = 1.0
            normal += np.diag(loose)
        places = columns.markers[:, 3:]
        wanted = np.zeros((columns.total, places.size))
        wanted[places.ravel(), np.arange(places.size)] = 1.0
        solved = cho_solve(cho_factor(normal), wanted)
        return np.array([solved[own, 3 * k : 3 * k + 3] for k, own in enumerate(places)])


def adjust(start: Scene, seen: Sightings, widths: Floats, beliefs: Beliefs = Beliefs()) -> Solution:
    """Fit a scene to what was seen.

    Parameters
    ----------
    start
        First estimates: near enough that every corner is before its camera.
    seen
        What was found.
    widths
        Of the pictures of each camera, px.
    beliefs
        What is known before; the lenses of `start` are their middle.

    """
    weigh = _prior(start, widths, beliefs)
    sigmas = np.full(len(seen), FIRST)
    believed = np.ones(len(seen), dtype=bool)
    scene = start
    for _ in range(4):
        scene = _solve(scene, seen, sigmas, believed, weigh)
        residuals = seen.pixel - scene.pixels(seen)
        sigmas = _spreads(residuals, seen, believed)
        believed = np.hypot(*residuals.T) < FARTHEST * sigmas
    scene = _solve(scene, seen, sigmas, believed, weigh)
    jacobian, residuals, _ = _linear(scene, seen, sigmas, believed)
    normal = (jacobian.T @ jacobian).toarray() + np.diag(weigh(scene)[0])
    return Solution(scene, seen, residuals, sigmas, believed, normal, jacobian)


Prior = Callable[[Scene], tuple[Floats, Floats]]


def _prior(start: Scene, widths: Floats, beliefs: Beliefs) -> Prior:
    """Return what gives the weights of all unknowns, and how far they are from what is believed."""
    columns = Columns.of(start)
    weights = np.zeros(columns.total)
    lenses = np.empty((len(widths), LENS))
    lenses[:, 0] = beliefs.focal * widths
    lenses[:, 1:3] = beliefs.middle * widths[:, None]
    lenses[:, 3:6] = beliefs.radial
    lenses[:, 6:] = beliefs.tangential
    weights[columns.lenses] = lenses**-2.0
    weights[columns.focus] = beliefs.focus**-2.0
    weights[columns.print] = np.array([beliefs.stretch, beliefs.growth]) ** -2.0

    def away(scene: Scene) -> tuple[Floats, Floats]:
        off = np.zeros(columns.total)
        off[columns.lenses] = scene.lenses - start.lenses
        off[columns.lenses[:, 3:]] = scene.lenses[:, 3:]
        off[columns.focus] = scene.focus
        off[columns.print] = scene.print
        return weights, off

    return away


def _solve(
    scene: Scene, seen: Sightings, sigmas: Floats, believed: NDArray[np.bool_], prior: Prior
) -> Scene:
    """Go downhill until nothing moves."""
    damping = 1e-4
    cost = _cost(scene, seen, sigmas, believed, prior)
    for _ in range(MOST_STEPS):
        normal, gradient = _equations(scene, seen, sigmas, believed, prior)
        diagonal = np.diag(normal).copy()
        while True:
            damped = normal + np.diag(damping * diagonal)
            step = cho_solve(cho_factor(damped), gradient)
            tried = scene.moved(step)
            better = _cost(tried, seen, sigmas, believed, prior)
            if better <= cost or damping > 1e8:
                break
            damping *= 10.0
        if better > cost:
            break
        scene, cost = tried, better
        damping = max(damping / 10.0, 1e-12)
        if np.all(np.abs(step) * np.sqrt(diagonal) < REST):
            break
    return scene


def _cost(
    scene: Scene, seen: Sightings, sigmas: Floats, believed: NDArray[np.bool_], prior: Prior
) -> float:
    """Return twice the negative logarithm of the likelihood; infinite behind a camera."""
    if np.any(scene.distances(seen) <= 0.0):
        return np.inf
    off = np.hypot(*(seen.pixel - scene.pixels(seen)).T) / sigmas
    each = np.where(off < HUBER, off**2, 2.0 * HUBER * off - HUBER**2)
    weights, away = prior(scene)
    return float(each[believed].sum() + (weights * away**2).sum())


def _equations(
    scene: Scene, seen: Sightings, sigmas: Floats, believed: NDArray[np.bool_], prior: Prior
) -> tuple[Floats, Floats]:
    """Return the normal matrix and the right side of the next step."""
    jacobian, residuals, roots = _linear(scene, seen, sigmas, believed)
    strengths, away = prior(scene)
    normal = (jacobian.T @ jacobian).toarray() + np.diag(strengths)
    gradient = jacobian.T @ (residuals * roots[:, None]).ravel() - strengths * away
    return normal, gradient


def _linear(
    scene: Scene, seen: Sightings, sigmas: Floats, believed: NDArray[np.bool_]
) -> tuple[csr_array, Floats, Floats]:
    """Return the weighted Jacobian, the residuals, and the roots of the weights."""
    residuals = seen.pixel - scene.pixels(seen)
    off = np.hypot(*residuals.T) / sigmas
    weights = np.where(believed, np.minimum(1.0, HUBER / np.maximum(off, 1e-12)), 0.0)
    roots = np.sqrt(weights) / sigmas
    return _jacobian(scene, seen, roots), residuals, roots


def _jacobian(scene: Scene, seen: Sightings, roots: Floats) -> csr_array:
    """Return how the expected pixels move with the unknowns, each row times its root weight."""
    columns = Columns.of(scene)
    points = scene.points(seen)
    turned = np.einsum('nij,nj->ni', scene.turns[seen.photograph], points)
    lenses = scene.lenses_of(seen)
    by_camera, by_lens = derivatives(turned + scene.shifts[seen.photograph], lenses)
    by_point = np.einsum('nij,njk->nik', by_camera, scene.turns[seen.photograph])
    stretched = 1.0 + scene.focus[seen.photograph]
    plain = scene.lenses[scene.camera[seen.photograph], 0]
    by_focus = by_lens[:, :, :1] * plain[:, None, None]
    by_lens[:, :, 0] *= stretched[:, None]

    sheet, marker = ~seen.of_marker, seen.of_marker
    # Across and up the page, as directions on the ground.
    across, up = np.zeros((2, len(seen), 3))
    yaw = scene.sheets[seen.sheet[sheet], 2]
    across[sheet] = np.stack([np.cos(yaw), np.sin(yaw), 0.0 * yaw], axis=-1)
    up[sheet] = np.stack([-np.sin(yaw), np.cos(yaw), 0.0 * yaw], axis=-1)
    across[marker] = scene.attitudes[seen.marker[marker]][:, :, 0]
    up[marker] = scene.attitudes[seen.marker[marker]][:, :, 1]
    flat = scene.printed(seen)
    stretch, growth = scene.print
    by_stretch = up * flat[:, 1:] / (1.0 + stretch)
    by_growth = (across * flat[:, :1] + up * flat[:, 1:]) * marker[:, None] / (1.0 + growth)
    by_print = np.einsum('nij,njk->nik', by_point, np.stack([by_stretch, by_growth], axis=-1))

    everyone = np.ones(len(seen), dtype=bool)
    laid = seen.sheet > 0
    from_middle = points[laid] - np.pad(scene.sheets[seen.sheet[laid], :2], ((0, 0), (0, 1)))
    about = np.stack([-from_middle[:, 1], from_middle[:, 0], 0.0 * from_middle[:, 0]], axis=-1)
    by_yaw = np.einsum('nij,nj->ni', by_point[laid], about)[:, :, None]
    arms = points[marker] - scene.centres[seen.marker[marker]]
    parts = [
        (everyone, by_lens, columns.lenses[scene.camera[seen.photograph]]),
        (everyone, by_focus, columns.focus[seen.photograph][:, None]),
        (
            everyone,
            np.concatenate([_by_turn(by_camera, turned), by_camera], axis=2),
            columns.photographs[seen.photograph],
        ),
        (
            laid,
            np.concatenate([by_point[laid][:, :, :2], by_yaw], axis=2),
            columns.sheets[seen.sheet[laid] - 1],
        ),
        (
            marker,
            np.concatenate([_by_turn(by_point[marker], arms), by_point[marker]], axis=2),
            columns.markers[seen.marker[marker]],
        ),
        (everyone, by_print, np.broadcast_to(columns.print, (len(seen), PRINT))),
    ]
    values, rows, places = [], [], []
    for which, block, column in parts:
        weighted = block * roots[which][:, None, None]
        row = 2 * np.flatnonzero(which)[:, None, None] + np.arange(2)[None, :, None]
        values.append(weighted.ravel())
        rows.append(np.broadcast_to(row, weighted.shape).ravel())
        places.append(np.broadcast_to(column[:, None, :], weighted.shape).ravel())
    shape = (2 * len(seen), columns.total)
    indices = (np.concatenate(rows), np.concatenate(places))
    return csr_array((np.concatenate(values), indices), shape=shape)


def _by_turn(by_point: Floats, arms: Floats) -> Floats:
    """Return how pixels move when points turn about their frame's origin by a small rotation.

    A rotation w moves an arm a by w x a, so the row b of `by_point` becomes a x b.
    """
    return np.cross(arms[:, None, :], by_point)


def _spreads(residuals: Floats, seen: Sightings, believed: NDArray[np.bool_]) -> Floats:
    """Estimate how well corners were found, for each photograph, sheets and feet apart, px."""
    squares = 0.5 * (residuals**2).sum(axis=1)
    sigmas = np.empty(len(seen))
    # Of the 16 coordinates of a marker in two views its own 6 unknowns leave 10; more views leave
    # more, and single ones little.
    for which in (seen.of_marker, ~seen.of_marker):
        if not which.any():
            continue
        overall = _variance(squares[which & believed])
        for photograph in np.unique(seen.photograph[which]):
            here = which & (seen.photograph == photograph)
            own = squares[here & believed]
            weighed = (_variance(own) * len(own) + overall * BORROWED) / (len(own) + BORROWED)
            sigmas[here] = np.sqrt(weighed)
    if seen.of_marker.any():
        found = 2 * int((seen.of_marker & believed).sum())
        unknown = 6 * len(np.unique(seen.marker[seen.of_marker]))
        sigmas[seen.of_marker] /= np.sqrt(max(1.0 - unknown / found, 0.2))
    return np.maximum(sigmas, FINEST)


def _variance(squares: Floats) -> float:
    """Estimate the variance of one coordinate from halves of squared distances.

    For two normal coordinates these are exponentially distributed with the variance as their mean
    and log 2 times that as their median. Beyond Huber's bound, told by the median, they count as if
    they were on it; the mean is made larger by what that takes away from normal ones.
    """
    if not len(squares):
        return FIRST**2
    bound = 0.5 * HUBER**2
    most = bound * float(np.median(squares)) / np.log(2.0)
    return float(np.minimum(squares, most).mean() / (1.0 - np.exp(-bound)))
