# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How fast legs are solved, beside general libraries and beside what the machine can do.

All run on the same feet in one session and end as ratios: a time alone says more about the
machine than about the code. Each contender must give the right answer before it is measured.
Nothing fails for being slow; the last lines say which bars are met.
"""

import ctypes
import subprocess
import time
import tracemalloc
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from operator import ge, le
from os import getloadavg
from pathlib import Path

import modern_robotics
import numpy as np
import pinocchio
import pytest
from eaik.IK_HP import HPRobot
from numpy.typing import NDArray
from pytest_benchmark.fixture import BenchmarkFixture

from leg_kinematics.robot import Vector, load_robot
from leg_kinematics.solver import (
    LegGeometry,
    LegSolver,
    forward_batch,
    inverse,
    inverse_batch,
    leg_solvers,
    solve_batch,
)

pytestmark = [pytest.mark.bench, pytest.mark.timeout(600)]

# What takes milliseconds is interrupted by other processes; their time is not counted. For what
# takes microseconds that clock is too coarse, and the shortest round was not interrupted.
long = pytest.mark.benchmark(timer=time.process_time)

HERE = Path(__file__).parent
BRACKEN = HERE.parents[1] / 'config' / 'robots' / 'bracken.yaml'

Floats = NDArray[np.float64]

#: What an iteration may leave between foot and target, m.
TOLERANCE = 1e-6

TICK = 'a tick of six legs'
SCALAR = 'plain scalar code'
CHECKED = 'scalar code with mounts and limits'
ALLOWED = 'what the bar allows'
READY = 'eaik, poses made beforehand'
GENERAL = (
    'eaik, angles alone',
    'eaik, exact angles',
    'eaik, six poses a call',
    'pin, damped least squares, warm',
    'modern-robotics, warm',
)
COUNTS = (1000, 100_000, 1_000_000)
BATCH = 'a batch of {}'
MILLION = BATCH.format(COUNTS[-1])

#: Group, dividend, divisor, and what their ratio shall be.
BARS = (
    (TICK, CHECKED, ALLOWED, 1.0, le),
    *((TICK, name, SCALAR, 8.0, ge) for name in GENERAL),
    (MILLION, 'numpy', 'C', 6.0, le),
    (MILLION, 'numpy, rows', 'C', 6.0, le),
    (MILLION, 'eaik', 'numpy', 40.0, ge),
    (MILLION, 'eaik', 'numpy, rows', 40.0, ge),
)

#: What is told beside, group, dividend and divisor.
BESIDE = (
    (TICK, 'numpy', SCALAR),
    (TICK, READY, SCALAR),
    (TICK, 'eaik, exact angles', CHECKED),
    *(
        (BATCH.format(count), *pair)
        for count in COUNTS[:-1]
        for pair in (('numpy', 'C'), ('numpy, rows', 'C'), ('eaik', 'numpy, rows'))
    ),
)


@dataclass(frozen=True)
class Tick:
    """Six feet, 1 mm from where they were.

    Attributes
    ----------
    legs
        Solvers of bracken, all of one geometry.
    feet
        In `base_link`, m.
    local
        The same in the frames of the mounts, m.
    before
        Angles a tick ago, rad, shape (6, 3).

    """

    legs: tuple[LegSolver, ...]
    feet: tuple[Vector, ...]
    local: tuple[Vector, ...]
    before: Floats

    @property
    def geometry(self) -> LegGeometry:
        """Lengths of each leg, m."""
        return self.legs[0].geometry


@pytest.fixture(scope='module')
def tick() -> Tick:
    """Stand bracken up and move its feet a little."""
    robot = load_robot(BRACKEN)
    legs = leg_solvers(robot)
    feet = tuple((x + 6e-4, y + 6e-4, z + 5e-4) for x, y, z in robot.standing.feet)
    return Tick(
        legs,
        feet,
        tuple(leg.mount.to_mount(foot) for leg, foot in zip(legs, feet, strict=True)),
        np.array([leg.angles(foot) for leg, foot in zip(legs, robot.standing.feet, strict=True)]),
    )


@pytest.fixture(scope='module')
def report() -> Iterator[dict[tuple[str, str], float]]:
    """Gather the best time of each contender, s, and print times and ratios."""
    best: dict[tuple[str, str], float] = {(TICK, ALLOWED): 5e-6}
    yield best
    print()
    for (group, name), seconds in best.items():
        print(f'{group}: {name}: {seconds * 1e6:.4g} us')
    for group, slower, faster in BESIDE:
        if {(group, slower), (group, faster)} <= best.keys():
            print(f'{group}: {slower} / {faster}: {best[group, slower] / best[group, faster]:.3g}')
    for group, slower, faster, bound, met in BARS:
        if {(group, slower), (group, faster)} <= best.keys():
            ratio = best[group, slower] / best[group, faster]
            verdict = 'met' if met(ratio, bound) else 'MISSED'
            print(
                f'{group}: {slower} / {faster}: {ratio:.3g} ({met.__name__} {bound:g}: {verdict})'
            )
    print(f'load average {getloadavg()[0]:.2f}')


def measure(benchmark: BenchmarkFixture, solve: Callable[[], object], *, rounds: int) -> None:
    """Repeat something long, after once to warm up."""
    benchmark.pedantic(solve, rounds=rounds, warmup_rounds=1)  # type: ignore[no-untyped-call]


def best_of(benchmark: BenchmarkFixture) -> float:
    """Shortest time of a call, s: the one that the rest of the machine disturbed least."""
    assert benchmark.stats is not None, 'run without --benchmark-disable'
    return float(benchmark.stats.stats.min)


def axes_of(geometry: LegGeometry) -> tuple[Floats, Floats]:
    """Joint axes and where they stand when the leg points straight out."""
    axes = np.array([(0, 0, 1), (0, -1, 0), (0, -1, 0)], float)
    places = np.zeros((3, 3))
    places[1:, 0] = geometry.coxa, geometry.coxa + geometry.femur
    return axes, places


def eaik_arm(geometry: LegGeometry) -> HPRobot:
    """Describe the leg with a wrist of no length, as `eaik` wants six joints."""
    axes = np.concatenate((axes_of(geometry)[0], [(1, 0, 0), (0, 1, 0), (1, 0, 0)]))
    lengths = [0.0, geometry.coxa, geometry.femur, geometry.tibia, 0.0, 0.0, 0.0]
    return HPRobot(axes, np.array([(length, 0.0, 0.0) for length in lengths]))


def poses_at(feet: Floats) -> Floats:
    """Poses for the wrist, shape (n, 4, 4); any orientation will do."""
    poses = np.tile(np.eye(4), (len(feet), 1, 1))
    poses[:, :3, 3] = feet
    return poses


def scalar_code(tick: Tick) -> Callable[[], Sequence[object]]:
    """Solve in the frames of the mounts, as the other contenders do."""
    geometry, feet = tick.geometry, tick.local
    return lambda: [inverse(geometry, foot) for foot in feet]


def scalar_code_checked(tick: Tick) -> Callable[[], Sequence[object]]:
    """Solve in `base_link` with all limits checked, as the kinematics node does."""
    legs, feet = tick.legs, tick.feet
    return lambda: [leg.angles(foot) for leg, foot in zip(legs, feet, strict=True)]


def numpy_batch(tick: Tick) -> Callable[[], Sequence[object]]:
    """Take six feet for a small batch."""
    feet, out = np.array(tick.local), np.empty((2, 6, 3))
    solve = partial(inverse_batch, tick.geometry, feet, out=out)
    return lambda: list(solve()[0])


def eaik_ready_poses(tick: Tick) -> Callable[[], Sequence[object]]:
    """Solve poses that somebody has made: less than a tick has to do, which begins with feet."""
    arm, poses = eaik_arm(tick.geometry), list(poses_at(np.array(tick.local)))
    return lambda: [arm.IK(pose).Q for pose in poses]


def eaik_angles_alone(tick: Tick) -> Callable[[], Sequence[object]]:
    """Make a pose of each foot and solve it; an answer may be a mere approximation, unnoticed."""
    arm, pose, feet = eaik_arm(tick.geometry), np.eye(4), tick.local

    def solve(foot: Vector) -> object:
        pose[:3, 3] = foot
        return arm.IK(pose).Q

    return lambda: [solve(foot) for foot in feet]


def eaik_exact_angles(tick: Tick) -> Callable[[], Sequence[object]]:
    """Make a pose of each foot, solve it and keep the solutions that are exact."""
    arm, pose, feet = eaik_arm(tick.geometry), np.eye(4), tick.local

    def solve(foot: Vector) -> list[Floats]:
        pose[:3, 3] = foot
        solution = arm.IK(pose)
        return [q for q, least in zip(solution.Q, solution.is_LS, strict=True) if not least]

    return lambda: [solve(foot) for foot in feet]


def eaik_six_poses(tick: Tick) -> Callable[[], Sequence[object]]:
    """Make poses of all feet and solve them in one call, on one core."""
    arm, feet = eaik_arm(tick.geometry), tick.local
    poses = poses_at(np.array(feet))
    rows = list(poses)

    def solve() -> list[object]:
        poses[:, :3, 3] = feet
        return [each.Q for each in arm.IK_batched(rows, num_worker_threads=1)]

    return solve


def pin_iteration(tick: Tick) -> Callable[[], Sequence[object]]:
    """Iterate with the Jacobian of `pin` from the angles a tick ago."""
    model = pinocchio.Model()
    geometry, parent = tick.geometry, 0
    lengths = (0.0, geometry.coxa, geometry.femur)
    axes, _ = axes_of(geometry)
    for name, axis, length in zip(('coxa', 'femur', 'tibia'), axes, lengths, strict=True):
        joint = pinocchio.JointModelRevoluteUnaligned(axis)
        place = pinocchio.SE3(np.eye(3), np.array([length, 0.0, 0.0]))
        parent = model.addJoint(parent, joint, place, name)
    tip = pinocchio.SE3(np.eye(3), np.array([geometry.tibia, 0.0, 0.0]))
    kind = pinocchio.FrameType.OP_FRAME
    foot = model.addFrame(pinocchio.Frame('foot', parent, parent, tip, kind))
    data = model.createData()
    feet, starts = [np.array(local) for local in tick.local], list(tick.before)
    damping = 1e-9 * np.eye(3)

    def solve(target: Floats, start: Floats) -> Floats:
        q = start.copy()
        while True:
            pinocchio.framesForwardKinematics(model, data, q)
            miss = target - data.oMf[foot].translation
            if miss @ miss < TOLERANCE**2:
                return q
            rows = pinocchio.computeFrameJacobian(
                model, data, q, foot, pinocchio.LOCAL_WORLD_ALIGNED
            )[:3]
            q += rows.T @ np.linalg.solve(rows @ rows.T + damping, miss)

    return lambda: [solve(target, start) for target, start in zip(feet, starts, strict=True)]


def modern_robotics_newton(tick: Tick) -> Callable[[], Sequence[object]]:
    """Iterate with `IKinSpace` from the angles a tick ago; the target pose is one of the leg."""
    geometry = tick.geometry
    axes, places = axes_of(geometry)
    screws = np.concatenate((axes, -np.cross(axes, places)), axis=1).T
    home = poses_at(np.array([(geometry.coxa + geometry.femur + geometry.tibia, 0.0, 0.0)]))[0]
    poses = [
        modern_robotics.FKinSpace(home, screws, np.array(inverse(geometry, foot)))
        for foot in tick.local
    ]
    starts = list(tick.before)

    def solve() -> list[Floats]:
        return [
            modern_robotics.IKinSpace(screws, home, pose, start, TOLERANCE, TOLERANCE)[0]
            for pose, start in zip(poses, starts, strict=True)
        ]

    return solve


@pytest.mark.parametrize(
    ('name', 'contender'),
    [
        (SCALAR, scalar_code),
        (CHECKED, scalar_code_checked),
        ('numpy', numpy_batch),
        (READY, eaik_ready_poses),
        *zip(
            GENERAL,
            (
                eaik_angles_alone,
                eaik_exact_angles,
                eaik_six_poses,
                pin_iteration,
                modern_robotics_newton,
            ),
            strict=True,
        ),
    ],
)
def test_tick_of_six_legs(
    *,
    tick: Tick,
    report: dict[tuple[str, str], float],
    benchmark: BenchmarkFixture,
    name: str,
    contender: Callable[[Tick], Callable[[], Sequence[object]]],
) -> None:
    """Each contender solves six feet; one of its solutions is right."""
    solve = contender(tick)
    for foot, solutions in zip(tick.local, solve(), strict=True):
        angles = np.atleast_2d(np.asarray(solutions))[:, :3]
        places = forward_batch(tick.geometry, np.ascontiguousarray(angles))
        assert np.linalg.norm(places - foot, axis=1).min() < 2.0 * TOLERANCE
    benchmark.group = TICK
    benchmark(solve)
    report[TICK, name] = best_of(benchmark)


@pytest.fixture(scope='module')
def c_loop(tmp_path_factory: pytest.TempPathFactory) -> ctypes.CDLL:
    """Compile the loop for this very machine."""
    library = tmp_path_factory.mktemp('c') / 'legs.so'
    options = ['-O3', '-march=native', '-mprefer-vector-width=512', '-ffast-math', '-shared']
    subprocess.run(['cc', *options, '-fPIC', '-o', library, HERE / 'legs.c', '-lm'], check=True)
    return ctypes.CDLL(str(library))


def regular_feet(geometry: LegGeometry, count: int) -> Floats:
    """Draw feet inside of the reach, in front of the coxa axis, in the frame of the mount."""
    rng = np.random.default_rng(count)
    angles = rng.uniform((-1.0, -0.4, -2.2), (1.0, 1.0, -0.2), (count, 3))
    return forward_batch(geometry, angles)


def numpy_on(geometry: LegGeometry, feet: Floats, _: ctypes.CDLL) -> Callable[[], Floats]:
    """Solve both knee branches from and into arrays of rows, the usual layout."""
    return partial(inverse_batch, geometry, feet, out=np.empty((2, *feet.shape)))


def planar_numpy_on(geometry: LegGeometry, feet: Floats, _: ctypes.CDLL) -> Callable[[], Floats]:
    """Solve both knee branches from and into planar arrays, as the C loop does."""
    out = np.empty((2, 3, len(feet))).transpose(0, 2, 1)
    return partial(inverse_batch, geometry, np.asfortranarray(feet), out=out)


def c_on(geometry: LegGeometry, feet: Floats, library: ctypes.CDLL) -> Callable[[], Floats]:
    """Solve both knee branches from and into planar arrays, the best case.

    The result has the rows coxa, femur and tibia with the knee up, femur and tibia with it down.
    """
    planar, out = np.ascontiguousarray(feet.T), np.empty((5, len(feet)))
    rows = [row.ctypes.data_as(ctypes.c_void_p) for row in (*planar, *out)]
    lengths = [ctypes.c_double(x) for x in (geometry.coxa, geometry.femur, geometry.tibia)]
    library.invert.restype = None
    call = partial(library.invert, ctypes.c_size_t(len(feet)), *lengths, *rows)

    def solve() -> Floats:
        # The pointers in the call do not keep their arrays alive; this closure does.
        assert planar.size
        call()
        return out

    return solve


def eaik_on(geometry: LegGeometry, feet: Floats, _: ctypes.CDLL) -> Callable[[], object]:
    """Solve all branches, on one core like the others, a hundred thousand at a time."""
    arm, poses = eaik_arm(geometry), poses_at(feet)
    parts = [list(poses[first : first + 100_000]) for first in range(0, len(poses), 100_000)]
    return lambda: [len(arm.IK_batched(part, num_worker_threads=1)) for part in parts]


@long
@pytest.mark.parametrize('count', COUNTS)
@pytest.mark.parametrize(
    ('name', 'contender'),
    [('C', c_on), ('numpy', planar_numpy_on), ('numpy, rows', numpy_on), ('eaik', eaik_on)],
)
def test_batch(
    *,
    report: dict[tuple[str, str], float],
    benchmark: BenchmarkFixture,
    tick: Tick,
    c_loop: ctypes.CDLL,
    count: int,
    name: str,
    contender: Callable[[LegGeometry, Floats, ctypes.CDLL], Callable[[], object]],
) -> None:
    """Both knee branches of many legs."""
    solve = contender(tick.geometry, regular_feet(tick.geometry, count), c_loop)
    benchmark.group = group = BATCH.format(count)
    measure(benchmark, solve, rounds=2 if name == 'eaik' else max(20, 1_000_000 // count))
    report[group, name] = best_of(benchmark)


def test_modern_robotics_is_called_as_it_is_documented() -> None:
    """The arm of its docstrings, `FKinSpace` and `IKinSpace`, which our legs cannot be: it slides.

    Lynch and Park's package `modern-robotics` 1.1.1.
    """
    home = np.array([[-1.0, 0, 0, 0], [0, 1, 0, 6], [0, 0, -1, 2], [0, 0, 0, 1]])
    screws = np.array([[0.0, 0, 1, 4, 0, 0], [0, 0, 0, 0, 1, 0], [0, 0, -1, -6, 0, -0.1]]).T
    pose = modern_robotics.FKinSpace(home, screws, np.array([np.pi / 2, 3.0, np.pi]))
    np.testing.assert_allclose(pose[:3, 3], (-5.0, 4.0, 1.68584073), atol=5e-9)
    pose[2, 3] = 1.6858
    start = np.array([1.5, 2.5, 3.0])
    found, solved = modern_robotics.IKinSpace(screws, home, pose, start, 0.01, 0.001)
    assert solved
    np.testing.assert_allclose(found, (1.57073783, 2.99966384, 3.1415342), atol=5e-9)


def test_c_loop_is_right(tick: Tick, c_loop: ctypes.CDLL) -> None:
    """The limit to compare with computes the same angles, to 1e-12 rad."""
    feet = regular_feet(tick.geometry, 100_000)
    up, down = inverse_batch(tick.geometry, feet)
    found = c_on(tick.geometry, feet, c_loop)()
    np.testing.assert_allclose(found[:3].T, up, rtol=0, atol=1e-12)
    np.testing.assert_allclose(found[[0, 3, 4]].T, down, rtol=0, atol=1e-12)


@long
def test_batch_with_status(
    tick: Tick, report: dict[tuple[str, str], float], benchmark: BenchmarkFixture
) -> None:
    """A million feet in `base_link`, one branch, judged against limits and servo maps."""
    leg = tick.legs[0]
    feet = regular_feet(leg.geometry, 1_000_000)
    benchmark.group = MILLION
    measure(benchmark, partial(solve_batch, leg, feet), rounds=5)
    report[MILLION, 'numpy, one branch with status'] = best_of(benchmark)


@pytest.mark.parametrize('count', COUNTS)
def test_memory(tick: Tick, count: int) -> None:
    """Prints what a batch needs at its peak, beyond feet and result."""
    feet = regular_feet(tick.geometry, count)
    out = np.empty((2, count, 3))
    tracemalloc.start()
    try:
        inverse_batch(tick.geometry, feet, out=out)
        _, scratch = tracemalloc.get_traced_memory()
        tracemalloc.reset_peak()
        solution = solve_batch(tick.legs[0], feet)
        held, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(solution.outcome) == count
    print(
        f'\n{count} legs: inverse_batch {scratch / 1e6:.3g} MB beyond {out.nbytes / 1e6:.3g} MB of '
        f'angles; solve_batch {(peak - held) / 1e6:.3g} MB beyond {held / 1e6:.3g} MB of result'
    )
