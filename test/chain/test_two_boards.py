# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One robot over two boards of different drivers, with real processes.

The left legs are on a board with our framed protocol, the right ones on a Firmata board.
"""

import signal
from bisect import bisect_left
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from math import ceil
from pathlib import Path
from time import CLOCK_MONOTONIC, CLOCK_REALTIME, clock_gettime, monotonic
from typing import TYPE_CHECKING

import pytest
import yaml
from rclpy.serialization import deserialize_message
from sensor_msgs.msg import JointState
from trajectory_msgs.msg import MultiDOFJointTrajectory

from leg_kinematics.board import Record
from leg_kinematics.calibration import ServoMap, load_servo_maps
from leg_kinematics.chain.power import PowerState
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.taking_part.chain_processes import Chain
from leg_kinematics.nodes.taking_part.operator import READY
from leg_kinematics.nodes.translation.messages import seconds_of
from leg_kinematics.robot import Robot
from leg_kinematics.solver import LegSolver, leg_solvers, posture_angles
from leg_kinematics.solver.motion.tracker import SILENT_AFTER

if TYPE_CHECKING:
    from test.simulated_firmata import FirmataProcess
    from test.witness import PulseLog, Witness

CONFIG = Path(__file__).parents[2] / 'config'
ROBOT = CONFIG / 'robots' / 'bracken.yaml'
SERVO_MAPS = CONFIG / 'servo_maps' / 'bracken.yaml'

AHEAD = Twist(x=0.08)

#: Poses per second, of the default parameters.
RATE = 100.0

#: Outputs of each board.
CHANNELS = 9

#: s by which a pose may come later than it is meant, on a busy machine.
LATE = 0.1

#: s for which a delay may still show in what a board is told.
RECENTLY = 0.5

#: Rounding of a pulse on each board, µs, and a little for the numbers.
QUANTUM = {'left': 0.25 + 1e-6, 'right': 0.5 + 1e-6}


@dataclass
class Robots:
    """The chain, its two boards, and who operates it.

    Attributes
    ----------
    chain, operator, firmata
        The processes.
    logs
        Of both boards.
    maps, legs
        Servo maps over both boards, and the solvers within their ranges.

    """

    chain: Chain
    operator: 'Witness'
    firmata: 'FirmataProcess'
    logs: 'Mapping[str, PulseLog]'
    maps: tuple[ServoMap, ...]
    legs: tuple[LegSolver, ...]

    def poses(self, board: str, start: float = 0.0) -> list[Record]:
        """Return what a board was told since a time."""
        return self.logs[board].poses(start)

    def of_both(self, start: float) -> list[Record]:
        """Return what both boards were told since a time."""
        return [*self.poses('left', start), *self.poses('right', start)]

    def pulses_us(self, board: str) -> dict[int, float]:
        """Return the pulses that a board puts out at present, µs."""
        if board == 'right':
            return self.firmata.pulses_us()
        last = self.logs['left'].records()[-1]
        return dict(self.poses('left')[-1].pulses_us) if last.enabled else {}

    def feet(self) -> list[tuple[float, float, float]]:
        """Where the pulses of both boards put the feet, m."""
        pulses = {board: self.pulses_us(board) for board in QUANTUM}
        angles = [each.angle(pulses[each.board][each.channel]) for each in self.maps]
        return [
            leg.foot((angles[3 * i], angles[3 * i + 1], angles[3 * i + 2]))
            for i, leg in enumerate(self.legs)
        ]

    def meant(self, start: float) -> list[tuple[float, dict[str, dict[int, float]]]]:
        """Instants since a time, and the pulses of both boards that the bridge meant for them."""
        offset = clock_gettime(CLOCK_REALTIME) - clock_gettime(CLOCK_MONOTONIC)
        found = []
        for each in self.operator.joint_states:
            message = deserialize_message(each, JointState)
            time = seconds_of(message.header.stamp) - offset
            if time >= start:
                pulses: dict[str, dict[int, float]] = {board: {} for board in QUANTUM}
                for servo_map, angle in zip(self.maps, message.position, strict=True):
                    pulses[servo_map.board][servo_map.channel] = servo_map.pulse_us(angle)
                found.append((time, pulses))
        return found


@pytest.fixture(scope='module')
def robots(
    tmp_path_factory: pytest.TempPathFactory,
    bracken: Robot,
    start_shared_firmata: 'Callable[[], FirmataProcess]',
    new_witness: 'Callable[[str], Witness]',
    pulse_log: 'Callable[[Path], PulseLog]',
) -> Iterator[Robots]:
    """Start the chain over both boards; in the end every process must have ended well."""
    content = yaml.safe_load(SERVO_MAPS.read_text(encoding='utf-8'))
    for joint, entry in content['joints'].items():
        right = joint.startswith('right')
        entry['board'] = 'right' if right else 'left'
        entry['channel'] += 2 if right else 0  # 11 to 19: some of them only by the long message
    folder = tmp_path_factory.mktemp('two_boards')
    servo_maps = folder / 'two_boards.yaml'
    servo_maps.write_text(yaml.safe_dump(content), encoding='utf-8')
    firmata = start_shared_firmata()
    bridge: dict[str, object] = {'enable_interval': 0.02}
    chain = Chain(
        ROBOT,
        servo_maps,
        '/greenhouse_two_boards',
        folder,
        parameters={'gait': {'stand_time': 0.8}, 'bridge': bridge},
    )
    bridge['boards'] = f"['left=framed:{chain.link}', 'right=firmata:{firmata.port}']"
    operator = new_witness('/greenhouse_two_boards')
    try:
        with chain:
            logs = {'left': pulse_log(chain.pulse_log), 'right': pulse_log(firmata.log)}
            maps = load_servo_maps(servo_maps, bracken).maps
            legs = leg_solvers(bracken, {each.joint: each.angle_range for each in maps})
            operator.bring_up()
            operator.stand()
            yield Robots(chain, operator, firmata, logs, maps, legs)
    finally:
        operator.close()
    assert set(chain.exit_codes.values()) == {0}, chain.exit_codes


def longest_wait(times: Sequence[float], since: float, until: float) -> float:
    """Longest that a board waited for a pose in a span of time, s."""
    span = times[bisect_left(times, since) : bisect_left(times, until)]
    return max((later - earlier for earlier, later in pairwise(span)), default=0.0)


def told(poses: Sequence[Record], times: Sequence[float], meant: float) -> set[tuple[int, float]]:
    """Channels and pulses that a board was told about an instant."""
    late = LATE + longest_wait(times, meant - LATE, meant + RECENTLY)
    first, last = bisect_left(times, meant - LATE), bisect_left(times, meant + late)
    return {item for record in poses[first:last] for item in record.pulses_us.items()}


def assert_no_jump(robots: Robots, board: str, start: float = 0.0) -> None:
    """Check that no servo of a board is told to go further than it can between two poses.

    At 0.9 of its speed, with the poses of a few ticks coming late and at once. One that was held
    up comes after a wait, and by as much later than it was meant. A bridge that is away for longer
    than `SILENT_AFTER` does not go on meanwhile.
    """
    fastest = 0.9 * 6.545 * 636.62  # µs/s, of bracken's servos and maps
    latest: dict[int, tuple[float, float]] = {}
    poses = robots.poses(board, start)
    times = [record.time for record in poses]
    for record in poses:
        for channel, pulse in record.pulses_us.items():
            if not record.enabled >> channel & 1:
                latest.pop(channel, None)
                continue
            if channel in latest:
                time, before = latest[channel]
                gap = min(record.time - time, SILENT_AFTER)
                late = 0.05 + longest_wait(times, time - RECENTLY, time)
                assert abs(pulse - before) <= fastest * (gap + late), (channel, record)
            latest[channel] = (record.time, pulse)


def test_it_walks_and_is_released_as_one(robots: Robots) -> None:
    """Both boards get what is meant, the feet stand where the gait wants them, both let go."""
    operator = robots.operator
    start = monotonic()
    operator.drive(AHEAD, 2.0, 'walking')
    operator.drive_until(AHEAD, lambda: len(robots.meant(start)) > 60, 'joint states')
    meant = robots.meant(start)
    for board, quantum in QUANTUM.items():
        poses = robots.poses(board)
        times = [record.time for record in poses]
        # What was meant in the last moments may still be on its way.
        instants = [each for each in meant if each[0] < times[-1] - LATE]
        arrived = 0
        for time, pulses in instants:
            near = told(poses, times, time)
            arrived += all(
                any(c == channel and abs(p - pulse) <= quantum for c, p in near)
                for channel, pulse in pulses[board].items()
            )
        assert len(instants) > 40
        # On a busy machine a pose may still wait for its board when the next one takes its place.
        first, last = instants[0][0], instants[-1][0] + LATE
        span = [pose for pose in poses if first <= pose.time <= last]
        taken = Counter(channel for pose in span for channel in pose.pulses_us)
        replaced = max(0, ceil((last - first) * RATE) - min(taken.values()))
        assert arrived >= len(instants) - replaced - 2, board
        for channel in meant[0][1][board]:
            pulses_us = [r.pulses_us[channel] for r in poses if channel in r.pulses_us]
            assert max(pulses_us) - min(pulses_us) > 20.0, (board, channel)
        assert_no_jump(robots, board, start)

    operator.wait_for('gait', 'standing')

    def in_place() -> bool:
        last = deserialize_message(operator.foot_targets[-1], MultiDOFJointTrajectory)
        places = [each.translation for each in last.points[-1].transforms]
        # Half a microsecond is 0.8 mrad, and a stretched leg is 0.2 m long.
        return robots.feet() == [pytest.approx((p.x, p.y, p.z), abs=5e-4) for p in places]

    operator.spin(in_place, 'all feet where the gait wants them')

    operator.call('bridge/release')
    operator.wait_for_power(PowerState.RELEASED)
    operator.spin(lambda: not robots.pulses_us('left'), 'no pulse on the left')
    operator.spin(lambda: not robots.pulses_us('right'), 'no pulse on the right')
    operator.rearm()
    operator.wait_for_power(PowerState.FOLLOWING)
    assert len(robots.pulses_us('left')) == len(robots.pulses_us('right')) == 9
    operator.stand_again()


def test_when_one_board_is_lost_both_hold(robots: Robots) -> None:
    """Whichever it is, the legs of the other do not walk on alone; later all walk again."""
    operator = robots.operator
    assert robots.chain.mock is not None
    for board, process in (
        ('right', robots.firmata.process),
        ('left', robots.chain.mock.process),
    ):
        (other,) = QUANTUM.keys() - {board}
        operator.drive(AHEAD, 1.0, 'walking')
        process.send_signal(signal.SIGSTOP)
        stopped = monotonic()
        operator.drive(AHEAD, 1.0, f'{board} does not answer')
        operator.wait_for('bridge', f'lost board {board}')
        operator.see_hold(AHEAD, partial(robots.poses, other), CHANNELS)
        process.send_signal(signal.SIGCONT)
        operator.wait_for_power(PowerState.FOLLOWING)
        back = monotonic()
        operator.walk_on(AHEAD, robots.of_both, 2 * CHANNELS)
        assert_no_jump(robots, other, stopped - 1.0)
        # It begins with what it was sent while it did not listen, a few poses all at once.
        assert_no_jump(robots, board, back)


def test_when_one_board_forgets_the_other_stays_where_it_is(robots: Robots, bracken: Robot) -> None:
    """All hold until rearm; then the legs without pulses get them at rest, the others stay."""
    operator = robots.operator
    start = monotonic()
    operator.drive(AHEAD, 1.2, 'walking')
    robots.firmata.process.send_signal(signal.SIGUSR1)
    operator.wait_for_power(PowerState.HOLDING)
    operator.see_hold(AHEAD, partial(robots.poses, 'left'), CHANNELS)
    held = robots.poses('left')[-1].time
    records = robots.logs['right'].records()
    # The board still takes poses between the signal and its restart.
    restarted = [record.time for record in records if record.event == 'boot'][-1]
    assert {r.enabled for r in robots.logs['right'].records(restarted)} == {0}

    operator.rearm()
    operator.wait_for_power(PowerState.FOLLOWING)
    operator.wait_for('gait', READY)
    operator.see_still(AHEAD, partial(robots.poses, 'left'), held)
    enabled = {
        pin: pulse
        for record in robots.logs['right'].records(restarted)
        if record.event == 'enable'
        for pin, pulse in record.pulses_us.items()
    }
    resting = [angle for leg in posture_angles(bracken, robots.legs, 'resting') for angle in leg]
    expected = {
        each.channel: pytest.approx(each.pulse_us(angle), abs=QUANTUM['right'], rel=0.0)
        for each, angle in zip(robots.maps, resting, strict=True)
        if each.board == 'right'
    }
    assert list(enabled) == list(expected)
    assert robots.pulses_us('right') == expected
    operator.stand()
    operator.walk_on(AHEAD, robots.of_both, 2 * CHANNELS)
    assert_no_jump(robots, 'left', start)
