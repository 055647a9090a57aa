# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""`move` and `play` as somebody types them: judged by the pulses that the board was told."""

import json
import os
import pty
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from math import dist
from pathlib import Path
from threading import Condition, Thread
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from leg_kinematics.board import read_log
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.chain.power import PowerState
from leg_kinematics.moves.places import Frame, LegFrames
from leg_kinematics.nodes.taking_part.chain_processes import MockProcess
from leg_kinematics.robot import Robot, Vector
from leg_kinematics.solver import LegSolver

if TYPE_CHECKING:
    from test.cable import Cable
    from test.chain.conftest import Scene, StartChain

COMMAND = [
    sys.executable,
    '-c',
    'from leg_kinematics.commands.main import main; main(prog_name="leg-kinematics")',
]

SQUARE = Path(__file__).parents[2] / 'config' / 'sequences' / 'square.yaml'

PATIENCE = 60.0

#: m; and what rounding of three pulses to half a microsecond adds to it.
LINE_TOLERANCE = 0.5e-3
ROUNDING = 0.1e-3

#: m, of a foot from its place at the end.
AT_PLACE = 0.1e-3

#: How long the legs take to be enabled is not looked at here.
QUICKLY = '/**/bridge:\n  ros__parameters:\n    enable_interval: 0.02\n'

#: Reports of the bridge in which a robot that is led would be told of targets.
REPORTS = 25

LEG = 'left_front'


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a command where nobody can press a key."""
    return subprocess.run(
        [*COMMAND, *arguments],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=PATIENCE,
        check=False,
    )


class Terminal:
    """A command at a terminal, whose screen is read all the time."""

    def __init__(self, *arguments: str) -> None:
        """Start it."""
        self._keyboard, screen = pty.openpty()
        self._process = subprocess.Popen(
            [*COMMAND, *arguments], stdin=screen, stdout=screen, stderr=screen
        )
        os.close(screen)
        self._shown = ''
        self._more = Condition()
        self._reader = Thread(target=self._read, name='screen')
        self._reader.start()

    def close(self) -> None:
        """End it."""
        self._process.kill()
        self._process.wait()
        self._reader.join()
        os.close(self._keyboard)

    def _read(self) -> None:
        while True:
            try:
                shown = os.read(self._keyboard, 65536).decode(errors='replace')
            except OSError:
                # Nobody has the terminal open any more (pty(7), Linux: EIO).
                return
            with self._more:
                self._shown += shown
                self._more.notify()

    def press(self, keys: str) -> None:
        """Press keys."""
        os.write(self._keyboard, keys.encode())

    def wait_for(self, *alternatives: str) -> str:
        """Wait until it shows one of these, and say which; what it has shown is old from now on."""

        def shown() -> str | None:
            text = ' '.join(self._shown.split())
            return next((words for words in alternatives if words in text), None)

        with self._more:
            words = self._more.wait_for(shown, PATIENCE)
            assert words, f'waited in vain for {alternatives}, it says {self._shown[-20000:]}'
            self._shown = ''
            return words

    def ends(self) -> int:
        """Wait until it ends; return its exit code."""
        return self._process.wait(PATIENCE)


def off_the_line(feet: Sequence[Vector], corners: Sequence[Vector]) -> float:
    """Give the largest distance of feet from a polyline, m."""
    points = np.array(feet)
    nearest = np.full(len(points), np.inf)
    for start, end in zip(np.array(corners[:-1]), np.array(corners[1:]), strict=True):
        way = end - start
        share = np.clip((points - start) @ way / (way @ way), 0.0, 1.0)
        distances = np.linalg.norm(points - start - np.outer(share, way), axis=1)
        nearest = np.minimum(nearest, distances)
    return float(nearest.max())


@pytest.fixture(scope='module')
def robot(start_shared_chain: 'StartChain') -> 'Scene':
    """Return a robot that rests, and that the gait has not taken over."""
    scene = start_shared_chain()
    scene.operator.bring_up()
    return scene


@pytest.fixture
def feet_of(
    servo_maps: ServoMaps, legs: tuple[LegSolver, ...]
) -> 'Callable[[Sequence[Any]], list[Vector]]':
    """Return a way to decode the places of the left front foot, m, from poses."""

    def decode(poses: Sequence[Any]) -> list[Vector]:
        maps = servo_maps.maps[:3]
        angles = [[each.angle(pose.pulses_us[each.channel]) for each in maps] for pose in poses]
        return [legs[0].foot((q1, q2, q3)) for q1, q2, q3 in angles]

    return decode


def test_it_joins_a_chain_and_keeps_to_its_lines(
    robot: 'Scene', bracken: Robot, feet_of: 'Callable[[Sequence[Any]], list[Vector]]'
) -> None:
    """Each line within its tolerance, the end within 0.1 mm, by the pulses; it tells the same.

    What cannot be reached, and a board besides that of the chain, is refused: no pulse changes.
    """
    namespace = robot.operator.node.get_namespace()
    frames = LegFrames(bracken)
    robot.begin()
    done = run('move', LEG, 'z=30mm', 'x=40mm', '--namespace', namespace, '--json')
    assert done.returncode == 0, done.stderr
    assert f'Joined the chain that runs in {namespace}' in done.stderr.replace('\n', ' ')
    answer = json.loads(done.stdout)
    assert answer['state'] == 'finished'
    corners = [
        frames.point(LEG, Frame.RESTING, corner)
        for corner in ((0.0, 0.0, 0.0), (0.0, 0.0, 0.03), (0.04, 0.0, 0.03))
    ]
    feet = feet_of(robot.log.poses(robot.since))
    assert off_the_line(feet, corners) < LINE_TOLERANCE + ROUNDING
    assert dist(feet[-1], corners[-1]) < AT_PLACE
    told = answer['feet'][LEG]
    there = frames.point(LEG, Frame.RESTING, (told['x_m'], told['y_m'], told['z_m']))
    assert there == pytest.approx(feet[-1], abs=1e-9)

    robot.begin()
    far = run('move', LEG, 'x=400mm', '--namespace', namespace)
    assert far.returncode == 1
    words = ' '.join(far.stdout.split())
    for part in ('nothing was moved', 'left_front', 'out of reach', 'span 172 mm', 'nearest place'):
        assert part in words
    second = run('move', LEG, 'x=0', '--namespace', namespace, '--board', 'main=framed:/dev/null')
    assert second.returncode == 2
    assert 'a chain runs' in second.stderr
    assert {dist(foot, feet[-1]) for foot in feet_of(robot.log.poses(robot.since))} == {0.0}


def test_the_gait_has_to_hand_the_robot_over(robot: 'Scene') -> None:
    """Before that a move is refused; after it, `gait/stand` pauses what is played."""
    operator = robot.operator
    namespace = operator.node.get_namespace()
    operator.stand()
    refused = run('move', 'all', 'z=0', '--namespace', namespace)
    assert refused.returncode == 1
    assert 'call gait/hand_over' in ' '.join(refused.stdout.split())
    assert operator.call('gait/hand_over').startswith('handed over standing')
    with closing(Terminal('move', LEG, 'z=0', '--time', '6s', '--namespace', namespace)) as shell:
        shell.wait_for('step 1 of 1')
        operator.call('gait/stand')
        shell.wait_for('somebody else sends foot_targets')
        operator.wait_for('gait', 'standing')
        shell.press('q')
        assert shell.ends() == 1
    operator.crouch()
    operator.call('gait/hand_over')


def test_ctrl_c_holds_and_tells_how_to_go_on(robot: 'Scene') -> None:
    """The feet rest on their way; the command that goes on is told, and goes on."""
    namespace = robot.operator.node.get_namespace()
    command = ('move', LEG, 'x=10mm', 'z=20mm', '--time', '1.5s', '--namespace', namespace)
    with subprocess.Popen(
        [*COMMAND, *command, '--json'],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stderr is not None
        assert process.stdout is not None
        while 'step 2 of 2' not in process.stderr.readline():
            assert process.poll() is None
        process.send_signal(signal.SIGINT)
        answer = json.loads(process.stdout.read())
        process.stderr.read()
    assert process.returncode == 1
    assert (answer['state'], answer['reason']) == ('stopped', 'interrupted by Ctrl-C')
    assert answer['step'] == 2
    way_on = answer['go_on'].split()
    assert way_on[:4] == ['leg-kinematics', 'move', LEG, 'z=20mm']
    # A busy machine may lose its board, and the same words go on when it is found again.
    while (on := run(*way_on[1:])).returncode:
        assert json.loads(on.stdout)['reason'] == 'the robot is lost', on.stderr
        robot.operator.wait_for_power(PowerState.FOLLOWING)
    assert json.loads(on.stdout)['feet'][LEG]['z_m'] == pytest.approx(0.02, abs=AT_PLACE)


@contextmanager
def cabled(
    start_chain: 'StartChain', lay_cable: 'Callable[[Path, Path], Cable]', end: Path
) -> 'Iterator[tuple[Scene, Cable]]':
    """Give a robot that rests, and the cable between its bridge and its board."""
    first = start_chain(at_once=['mock'])
    with closing(lay_cable(first.chain.link, end)) as cable:
        scene = start_chain(board=end)
        scene.operator.bring_up()
        yield scene, cable


@pytest.mark.soak
def test_a_sequence_goes_on_only_by_a_word(
    start_chain: 'StartChain', lay_cable: 'Callable[[Path, Path], Cable]', tmp_path: Path
) -> None:
    """A cable that is pulled pauses it, and plugged in again it stays so; a release ends it."""
    with cabled(start_chain, lay_cable, tmp_path / 'cable') as (scene, cable):
        operator = scene.operator
        namespace = operator.node.get_namespace()
        with closing(Terminal('play', str(SQUARE), '--namespace', namespace)) as shell:
            shell.wait_for('step 3 of')
            cable.pull()
            shell.wait_for('the robot is lost')
            shell.press(' ')
            shell.wait_for('Not played: the robot does not follow: it is lost')
            operator.wait_for_power(PowerState.LOST)
            cable.plug()
            operator.wait_for_power(PowerState.FOLLOWING)
            targets = len(operator.foot_targets)
            for _ in range(REPORTS):
                operator.next_report()
            assert len(operator.foot_targets) == targets
            shell.press(' ')
            # A busy machine may lose its board once more.
            while shell.wait_for('step 4 of', 'Not played', 'the robot is lost') != 'step 4 of':
                operator.wait_for_power(PowerState.FOLLOWING)
                shell.press(' ')
            operator.call('bridge/release')
            shell.wait_for('power was taken from the robot')
            assert shell.ends() == 1


@pytest.mark.soak
def test_it_starts_a_chain_of_its_own_on_a_board(
    tmp_path: Path,
    bracken: Robot,
    servo_maps: ServoMaps,
    feet_of: 'Callable[[Sequence[Any]], list[Vector]]',
) -> None:
    """The board holds in the end; the next command goes on from there, and releases if told so."""
    mock = MockProcess(tmp_path / 'board', tmp_path / 'pulses.jsonl')
    parameters = tmp_path / 'nodes.yaml'
    parameters.write_text(QUICKLY, encoding='utf-8')
    board = [f'--board=main=framed:{tmp_path / "board"}', '--namespace=/bench']
    board.append(f'--params-file={parameters}')
    frames = LegFrames(bracken)
    place = frames.point(LEG, Frame.RESTING, (0.02, 0.0, 0.02))
    try:
        first = run('move', LEG, 'z=20mm', 'x=20mm', *board, '--yes')
        assert first.returncode == 0, first.stderr
        assert 'The servos stay powered' in ' '.join(first.stdout.split())
        log = [r for r in read_log(tmp_path / 'pulses.jsonl') if r.event == 'pose']
        assert dist(feet_of(log)[-1], place) < AT_PLACE
        second = run('move', LEG, 'x=0', *board, '--yes', '--release')
        assert second.returncode == 0, second.stderr
    finally:
        mock.end()
    records = read_log(tmp_path / 'pulses.jsonl')
    later = [r for r in records if r.event == 'pose'][len(log) :]
    assert len(later[0].pulses_us) == len(servo_maps.maps)
    feet = feet_of(later)
    assert dist(feet[0], place) < AT_PLACE
    end = frames.point(LEG, Frame.RESTING, (0.0, 0.0, 0.02))
    assert dist(feet[-1], end) < AT_PLACE
    assert off_the_line(feet, [place, end]) < LINE_TOLERANCE + ROUNDING
    assert records[-1].enabled == 0
