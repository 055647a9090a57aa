# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The running chain of real processes, and somebody who operates it."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from itertools import count
from pathlib import Path
from time import CLOCK_MONOTONIC, CLOCK_REALTIME, clock_gettime
from typing import TYPE_CHECKING

import pytest
from rclpy.serialization import deserialize_message
from trajectory_msgs.msg import MultiDOFJointTrajectory

from leg_kinematics.board import Record
from leg_kinematics.calibration import ServoMaps, load_servo_maps
from leg_kinematics.commands.chain import Chain
from leg_kinematics.commands.operator import Operator
from leg_kinematics.commands.run_report import Walk, read_walk
from leg_kinematics.gait import Twist
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver import leg_solvers

if TYPE_CHECKING:
    from test.witness import Witness

CONFIG = Path(__file__).parents[2] / 'config'
ROBOT = CONFIG / 'robots' / 'bracken.yaml'
SERVO_MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'

#: The start is not what these tests look at.
QUICK: Mapping[str, Mapping[str, object]] = {
    'gait': {'rise_time': 0.8},
    'bridge': {'enable_interval': 0.02},
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


class ChainOnBoard(Chain):
    """The three nodes on a board that somebody else has started."""

    board: Path

    def start_mock(self) -> None:
        """Lead to that board instead."""
        self.link.symlink_to(self.board)


@contextmanager
def chains_in(
    parent: Path, new_witness: 'Callable[[str], Witness]'
) -> 'Iterator[Callable[..., tuple[Chain, Witness]]]':
    """Start chains with options of the mock; in the end every process must have ended well.

    With a ``board`` they use that port instead of a mock; ``bridge`` are more of its parameters;
    ``priority`` is the real-time priority of every node.
    """
    chains: list[Chain] = []
    with ExitStack() as stack:

        def start(
            *mock_options: str,
            board: Path | None = None,
            bridge: Mapping[str, object] | None = None,
            priority: int = 0,
        ) -> 'tuple[Chain, Witness]':
            namespace = next(_namespaces)
            folder = parent / namespace.strip('/')
            urgent = {'realtime_priority': priority}
            chain = (ChainOnBoard if board else Chain)(
                ROBOT,
                SERVO_MAPS,
                namespace,
                folder,
                parameters={
                    'kinematics': urgent,
                    'gait': {**QUICK['gait'], **urgent},
                    'bridge': {**QUICK['bridge'], **urgent, **(bridge or {})},
                },
                mock_options=mock_options,
            )
            if isinstance(chain, ChainOnBoard) and board is not None:
                chain.board = board
            operator = new_witness(namespace)
            stack.callback(operator.close)
            chains.append(stack.enter_context(chain))
            return chain, operator

        yield start
    for chain in chains:
        assert set(chain.exit_codes.values()) == {0}, chain.exit_codes


@pytest.fixture(scope='session')
def walk_of(bracken: Robot, servo_maps: ServoMaps) -> Callable[[Operator, Sequence[Record]], Walk]:
    """Return a way to put what an operator heard and what a board was told into arrays."""
    legs = leg_solvers(bracken, {each.joint: each.angle_range for each in servo_maps.maps})

    def read(operator: Operator, records: Sequence[Record]) -> Walk:
        return read_walk(
            legs,
            servo_maps,
            operator.targets_heard(),
            operator.odometry_heard(),
            records,
            clock_offset=clock_gettime(CLOCK_REALTIME) - clock_gettime(CLOCK_MONOTONIC),
        )

    return read


@pytest.fixture
def start_chain(
    tmp_path: Path, new_witness: 'Callable[[str], Witness]'
) -> 'Iterator[Callable[..., tuple[Chain, Witness]]]':
    """Start chains of a test's own."""
    with chains_in(tmp_path, new_witness) as start:
        yield start


@pytest.fixture(scope='module')
def start_shared_chain(
    tmp_path_factory: pytest.TempPathFactory, new_witness: 'Callable[[str], Witness]'
) -> 'Iterator[Callable[..., tuple[Chain, Witness]]]':
    """Start chains that several tests use one after another."""
    with chains_in(tmp_path_factory.mktemp('shared'), new_witness) as start:
        yield start


@pytest.fixture(scope='session')
def walk_into_a_step() -> 'Callable[[Witness], None]':
    """Return a way to bring a robot that stands or walks to where a foot is high in the air."""

    def walk(operator: 'Witness') -> None:
        operator.drive(AHEAD, 0.5, 'walking')

        def in_the_air() -> bool:
            message = deserialize_message(operator.foot_targets[-1], MultiDOFJointTrajectory)
            heights = [transform.translation.z for transform in message.points[-1].transforms]
            return bool(max(heights) - min(heights) > IN_THE_AIR)

        operator.drive_until(AHEAD, in_the_air, 'a foot in the air')

    return walk


@pytest.fixture
def walking(
    start_chain: 'Callable[..., tuple[Chain, Witness]]',
) -> 'tuple[Chain, Witness]':
    """Return a chain that walks forward, and its operator, who has just said so."""
    chain, operator = start_chain()
    operator.bring_up()
    operator.stand()
    operator.drive(AHEAD, 1.5, 'walking')
    operator.drive_until(AHEAD, lambda: operator.states['gait'] == 'walking', 'a walk')
    return chain, operator


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Callable[[str], None]:
    """Return a way to print a row of the fault table."""

    def print_row(row: str) -> None:
        with capsys.disabled():
            print(f'\n  {row}', end='')  # noqa: T201

    return print_row
