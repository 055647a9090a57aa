# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The running chain of real processes, and somebody who operates it.

What the chain does in all its states is tried in lock step, tick by tick. Here is what only
processes show: how they find each other, end, die and come back, their ports and their lines. The
machine decides how long that takes: a test waits for what it wants to see, and judges by what the
board was told and what the bridge said that it means.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from time import CLOCK_MONOTONIC, CLOCK_REALTIME, clock_gettime
from typing import TYPE_CHECKING

import pytest
from rclpy.serialization import deserialize_message
from trajectory_msgs.msg import MultiDOFJointTrajectory

from leg_kinematics.board import Record
from leg_kinematics.calibration import ServoMap, ServoMaps, load_servo_maps
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.taking_part.chain_processes import NODES, Chain
from leg_kinematics.nodes.taking_part.operator import Operator
from leg_kinematics.recording.walk import Walk, read_walk
from leg_kinematics.robot import Robot, Vector, load_robot
from leg_kinematics.solver import LegSolver, leg_solvers

if TYPE_CHECKING:
    from test.witness import PulseLog, Witness

CONFIG = Path(__file__).parents[2] / 'config'
ROBOT = CONFIG / 'robots' / 'bracken.yaml'
SERVO_MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'

#: The start is not what these tests look at; and a busy machine now and then stops a process for
#: longer than the half second after which a board takes its bridge for silent.
QUICK: Mapping[str, Mapping[str, object]] = {
    'gait': {'stand_time': 0.8},
    'bridge': {'enable_interval': 0.02, 'board_silence': 2.0},
}

AHEAD = Twist(x=0.08)

#: A foot this high above the lowest is in mid-step, m.
IN_THE_AIR = 0.01

#: A new one for every chain: a node that was killed is remembered by the graph for a while.
_namespaces = (f'/greenhouse_{number}' for number in count())


@pytest.fixture(scope='session')
def bracken() -> Robot:
    """Return the robot that ships with the package."""
    return load_robot(ROBOT)


@pytest.fixture(scope='session')
def servo_maps(bracken: Robot) -> ServoMaps:
    """Return its servo maps."""
    return load_servo_maps(SERVO_MAPS, bracken)


@pytest.fixture(scope='session')
def legs(bracken: Robot, servo_maps: ServoMaps) -> tuple[LegSolver, ...]:
    """Return the solvers of its legs, within the ranges of its servo maps."""
    return leg_solvers(bracken, {each.joint: each.angle_range for each in servo_maps.maps})


@dataclass
class Scene:
    """A chain on a mock, who operates it, and what its board is told.

    Attributes
    ----------
    chain, operator, log
        All three.
    maps, legs
        Servo maps of the robot, and the solvers within their ranges.
    since
        From when on the board is looked at, s.

    """

    chain: Chain
    operator: 'Witness'
    log: 'PulseLog'
    maps: tuple[ServoMap, ...]
    legs: tuple[LegSolver, ...]
    no_jump: Callable[[Operator, Sequence[Record]], None]
    since: float = 0.0

    @property
    def channels(self) -> int:
        """How many the robot uses."""
        return len(self.maps)

    def feet(self) -> list[Vector]:
        """Where the latest pose puts the feet, in `base_link`, m."""
        pulses = self.log.poses()[-1].pulses_us
        angles = [each.angle(pulses[each.channel]) for each in self.maps]
        return [
            leg.foot((angles[3 * i], angles[3 * i + 1], angles[3 * i + 2]))
            for i, leg in enumerate(self.legs)
        ]

    def begin(self) -> None:
        """Forget what was before."""
        self.operator.forget()
        records = self.log.records()
        self.since = records[-1].time if records else 0.0

    def kill(self, name: str) -> None:
        """End a node, or the mock, as a crash would."""
        if name == 'mock':
            assert self.chain.mock is not None
            self.chain.mock.kill()
            return
        process = self.chain.nodes.pop(name)
        process.kill()
        process.wait()

    def drive(self, seconds: float) -> None:
        """Command to walk ahead for a while."""
        self.operator.drive(AHEAD, seconds, 'ahead')

    def until(self, condition: Callable[[], bool], what: str) -> None:
        """Command to walk ahead until something is true."""
        self.operator.drive_until(AHEAD, condition, what)

    def walk_into_a_step(self) -> None:
        """Walk on to where a foot is high in the air."""
        operator = self.operator
        self.drive(0.5)

        def in_the_air() -> bool:
            if not operator.foot_targets:
                return False
            message = deserialize_message(operator.foot_targets[-1], MultiDOFJointTrajectory)
            heights = [transform.translation.z for transform in message.points[-1].transforms]
            return bool(max(heights) - min(heights) > IN_THE_AIR)

        self.until(in_the_air, 'a foot in the air')

    def walk_on(self) -> None:
        """Walk until every servo has been told to, from now on."""
        self.operator.walk_on(AHEAD, self.log.poses, self.channels)

    def see_hold(self) -> None:
        """Command, in vain: the servos come to hold still, and do so for a while."""
        self.operator.see_hold(AHEAD, self.log.poses, self.channels)

    def see_still(self, since: float) -> None:
        """Command, in vain: no servo has been told to move since a time, nor is it now."""
        self.operator.see_still(AHEAD, self.log.poses, since)

    def assert_no_jump(self) -> None:
        """See that no servo was told to jump since the scene began."""
        self.no_jump(self.operator, self.log.records(self.since))


StartChain = Callable[..., Scene]


@contextmanager
def chains_in(
    parent: Path,
    new_scene: Callable[[Chain, 'Witness'], Scene],
    new_witness: 'Callable[[str], Witness]',
) -> Iterator[StartChain]:
    """Start chains with options of the mock; in the end every process must have ended well.

    With a ``board`` they use that port instead of a mock; ``gait`` and ``bridge`` are more of
    their parameters; ``priority`` is the real-time priority of every node; ``at_once`` is what is
    started by now.
    """
    chains: list[Chain] = []
    with ExitStack() as stack:

        def start(
            *mock_options: str,
            board: Path | None = None,
            gait: Mapping[str, object] | None = None,
            bridge: Mapping[str, object] | None = None,
            priority: int = 0,
            at_once: Sequence[str] = ('mock', *NODES),
            files: tuple[Path, Path] = (ROBOT, SERVO_MAPS),
        ) -> Scene:
            namespace = next(_namespaces)
            urgent = {'realtime_priority': priority}
            chain = Chain(
                *files,
                namespace,
                parent / namespace.strip('/'),
                parameters={
                    'kinematics': urgent,
                    'gait': {**QUICK['gait'], **urgent, **(gait or {})},
                    'bridge': {**QUICK['bridge'], **urgent, **(bridge or {})},
                },
                mock_options=mock_options,
                at_once=[each for each in at_once if board is None or each != 'mock'],
            )
            if board is not None:
                chain.link.symlink_to(board)
            operator = new_witness(namespace)
            stack.callback(operator.close)
            chains.append(stack.enter_context(chain))
            return new_scene(chain, operator)

        yield start
    for chain in chains:
        assert set(chain.exit_codes.values()) <= {0}, chain.exit_codes


@pytest.fixture(scope='session')
def walk_of(
    servo_maps: ServoMaps, legs: tuple[LegSolver, ...]
) -> Callable[[Operator, Sequence[Record]], Walk]:
    """Return a way to put what an operator heard and what a board was told into arrays."""

    def read(operator: Operator, records: Sequence[Record]) -> Walk:
        return read_walk(
            legs,
            servo_maps,
            operator.targets_heard(),
            operator.odometry_heard(),
            dict.fromkeys(servo_maps.boards, records),
            clock_offset=clock_gettime(CLOCK_REALTIME) - clock_gettime(CLOCK_MONOTONIC),
        )

    return read


@pytest.fixture(scope='session')
def new_scene(
    servo_maps: ServoMaps,
    legs: tuple[LegSolver, ...],
    pulse_log: 'Callable[[Path], PulseLog]',
    assert_no_jump: Callable[[Operator, Sequence[Record]], None],
) -> Callable[[Chain, 'Witness'], Scene]:
    """Return a way to look at a chain."""

    def look(chain: Chain, operator: 'Witness') -> Scene:
        log = pulse_log(chain.pulse_log)
        return Scene(chain, operator, log, servo_maps.maps, legs, assert_no_jump)

    return look


@pytest.fixture
def start_chain(
    tmp_path: Path,
    new_scene: Callable[[Chain, 'Witness'], Scene],
    new_witness: 'Callable[[str], Witness]',
) -> Iterator[StartChain]:
    """Start chains of a test's own."""
    with chains_in(tmp_path, new_scene, new_witness) as start:
        yield start


@pytest.fixture(scope='module')
def start_shared_chain(
    tmp_path_factory: pytest.TempPathFactory,
    new_scene: Callable[[Chain, 'Witness'], Scene],
    new_witness: 'Callable[[str], Witness]',
) -> Iterator[StartChain]:
    """Start chains that several tests use one after another."""
    with chains_in(tmp_path_factory.mktemp('shared'), new_scene, new_witness) as start:
        yield start


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Callable[[str], None]:
    """Return a way to print a figure."""

    def print_row(row: str) -> None:
        with capsys.disabled():
            print(f'\n  {row}', end='')  # noqa: T201

    return print_row
