# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The running chain of real processes, somebody who operates it, and what must never happen."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from itertools import count, pairwise
from pathlib import Path

import pytest
from rclpy.serialization import deserialize_message
from trajectory_msgs.msg import MultiDOFJointTrajectory

from leg_kinematics.board import Record
from leg_kinematics.calibration import ServoMaps, load_servo_maps
from leg_kinematics.commands.chain import Chain
from leg_kinematics.commands.operator import Operator
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.parameters import BRIDGE
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver.tracker import SILENT_AFTER

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

#: The board takes half microseconds, which is also the error of two rounded pulses, µs.
QUANTUM = 0.5

#: Of the bridge, s.
TICK = 0.01

#: Poses that a busy machine hands over late, and then all at once.
BURST = 5

#: A pause that is longer at the board than what the bridge takes for a silence, for certain, s.
LONG_PAUSE = SILENT_AFTER + 0.1


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
def chains_in(parent: Path) -> Iterator[Callable[..., tuple[Chain, Operator]]]:
    """Start chains with options of the mock; in the end every process must have ended well.

    With a ``board`` they use that port instead of a mock; ``bridge`` are more of its parameters.
    """
    chains: list[Chain] = []
    with ExitStack() as stack:

        def start(
            *mock_options: str,
            board: Path | None = None,
            bridge: Mapping[str, object] | None = None,
        ) -> tuple[Chain, Operator]:
            namespace = next(_namespaces)
            folder = parent / namespace.strip('/')
            chain = (ChainOnBoard if board else Chain)(
                ROBOT,
                SERVO_MAPS,
                namespace,
                folder,
                parameters={**QUICK, 'bridge': {**QUICK['bridge'], **(bridge or {})}},
                mock_options=mock_options,
            )
            if isinstance(chain, ChainOnBoard) and board is not None:
                chain.board = board
            operator = Operator(namespace)
            stack.callback(operator.close)
            chains.append(stack.enter_context(chain))
            return chain, operator

        yield start
    for chain in chains:
        assert set(chain.exit_codes.values()) == {0}, chain.exit_codes


@pytest.fixture
def start_chain(tmp_path: Path) -> Iterator[Callable[..., tuple[Chain, Operator]]]:
    """Start chains of a test's own."""
    with chains_in(tmp_path) as start:
        yield start


@pytest.fixture(scope='module')
def start_shared_chain(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Callable[..., tuple[Chain, Operator]]]:
    """Start chains that several tests use one after another."""
    with chains_in(tmp_path_factory.mktemp('shared')) as start:
        yield start


@pytest.fixture(scope='session')
def walk_into_a_step() -> Callable[[Operator], None]:
    """Return a way to bring a robot that stands or walks to where a foot is high in the air."""

    def walk(operator: Operator) -> None:
        operator.drive(AHEAD, 0.5, 'walking')

        def in_the_air() -> bool:
            message = deserialize_message(operator.foot_targets[-1], MultiDOFJointTrajectory)
            heights = [transform.translation.z for transform in message.points[-1].transforms]
            return bool(max(heights) - min(heights) > IN_THE_AIR)

        operator.spin(in_the_air, 'a foot in the air')

    return walk


@pytest.fixture
def walking(start_chain: Callable[..., tuple[Chain, Operator]]) -> tuple[Chain, Operator]:
    """Return a chain that walks forward, and its operator, who has just said so."""
    chain, operator = start_chain()
    operator.bring_up()
    operator.stand()
    operator.drive(AHEAD, 1.5, 'walking')
    return chain, operator


@pytest.fixture
def say(capsys: pytest.CaptureFixture[str]) -> Callable[[str], None]:
    """Return a way to print a row of the fault table."""

    def print_row(row: str) -> None:
        with capsys.disabled():
            print(f'\n  {row}', end='')  # noqa: T201

    return print_row


@pytest.fixture(scope='session')
def assert_no_jump(bracken: Robot, servo_maps: ServoMaps) -> Callable[[Sequence[Record]], None]:
    """Return a check that no joint with its pulses on was ever told to jump.

    A joint may go at its speed limit for the time since the pose before, and at least for a tick;
    that one may itself have been late, by no more than the longest of the last gaps. After a
    silence a joint is on its slow way back to the stream, for the ticks until a pose gets through.
    """
    defaults = {each.name: each.default for each in BRIDGE}
    share, catch_up = defaults['speed_share'], defaults['catch_up_speed']
    assert isinstance(share, float)
    assert isinstance(catch_up, float)
    speeds = [share * link.servo.speed for leg in bracken.legs for link in leg.links]

    def check(records: Sequence[Record]) -> None:
        poses = [record for record in records if record.event == 'pose']
        gaps = [later.time - earlier.time for earlier, later in pairwise(poses)]
        for index, (earlier, later) in enumerate(pairwise(poses)):
            recent = [gap for gap in gaps[max(0, index - BURST) : index] if gap < LONG_PAUSE]
            lateness = max(recent, default=0.0)
            time = min(TICK + gaps[index] + lateness, SILENT_AFTER)
            resuming = gaps[index] > LONG_PAUSE
            for each, speed in zip(servo_maps.maps, speeds, strict=True):
                allowed = catch_up * BURST * TICK if resuming else speed * time
                bit = 1 << each.channel
                if not earlier.enabled & later.enabled & bit:
                    continue
                pulse, next_pulse = earlier.pulses_us[each.channel], later.pulses_us[each.channel]
                moved = abs(each.angle(next_pulse) - each.angle(pulse))
                quantum = abs(each.angle(pulse + QUANTUM) - each.angle(pulse))
                assert moved <= allowed + quantum, (
                    f'{each.joint} was told to jump from {pulse} to {next_pulse} us '
                    f'within {gaps[index]:.3f} s, at {later.time}'
                )

    return check
