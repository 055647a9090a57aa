# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""By hand at a terminal: the screen, the keys, the file, and how it is left."""

import re
import signal
from collections.abc import Iterator
from dataclasses import replace
from io import StringIO
from math import cos, radians, sin
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner
from rich.console import Console

from leg_kinematics.board.simulated.pulse_log import read_log
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.commands.feet.jog_screen import Scene, screen
from leg_kinematics.commands.feet.kept_file import KeptFile
from leg_kinematics.commands.main import main
from leg_kinematics.commands.terminal.key_names import UNKNOWN, split_keys
from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.moves.jogging import KEYS, Act, Jogging
from leg_kinematics.moves.leg_view import LegView
from leg_kinematics.moves.places import Frame, LegFrames, Place
from leg_kinematics.moves.sequence import load_sequence
from leg_kinematics.moves.steps import FeetStep
from leg_kinematics.nodes.taking_part.chain_processes import MockProcess

if TYPE_CHECKING:
    from test.terminal import at_a_terminal
else:
    from terminal import at_a_terminal

CONFIG = Path(__file__).parents[2] / 'config'


@pytest.fixture
def mock(tmp_path: Path) -> Iterator[Path]:
    """Start a mock board; its port is ``board`` in the folder, and ``log`` tells what it hears."""
    process = MockProcess(tmp_path / 'board', tmp_path / 'log')
    yield tmp_path
    process.end()


def bracken() -> CalibratedRobot:
    """All six legs."""
    return CalibratedRobot.load(
        CONFIG / 'robots' / 'bracken.yaml', CONFIG / 'servo_maps' / 'bracken.yaml'
    )


# ---- the real command


def test_by_hand_at_80_columns(mock: Path) -> None:
    """The foot is where the screen says, by the pulses of the board; what was kept is in the file.

    The places are those of the keys: 5 mm outwards, 5 mm up, and then the coxa 5 degrees to the
    right; the foot is computed from the pulses by hand, with the map and the lengths in the files.
    """
    sequence = mock / 'bench.yaml'
    arguments = ['jog', 'left_front', '--namespace', '/by_hand', '--keep', str(sequence)]
    arguments += ['--board', f'main=framed:{mock / "board"}', '--yes']
    with at_a_terminal(arguments, 80, 24) as terminal:
        terminal.read_until_shown('^  x outwards +s-  w\\+ +0.0 ', '^at rest')
        assert all(len(line) <= 80 for line in terminal.lines)
        terminal.type('w')
        terminal.read_until_shown('^  x outwards .* 5.0 ', '^at rest')
        terminal.type('\x1b[5~')
        terminal.read_until_shown('^  z up .* 5.0 ', '^at rest')
        terminal.type('k')
        terminal.read_until_shown('^kept as step 1: left_front', '^kept 1; ')
        assert len(load_sequence(sequence).steps) == 1
        terminal.type('ms')
        terminal.read_until_shown('^  coxa .* -5.00 ', '^at rest')
        coxa, femur, tibia = (
            float(line.split()[-1])
            for line in terminal.lines
            if line.split()[:1] in (['coxa'], ['femur'], ['tibia'])
        )
        poses = [record for record in read_log(mock / 'log') if record.event == 'pose']
        assert [poses[-1].pulses_us[channel] for channel in range(3)] == [coxa, femur, tibia]
        place = {line.split()[0]: line.split() for line in terminal.lines if line[:2] == '  '}
        shown = [float(place['x'][2]), float(place['y'][2]), float(place['z'][2])]
        assert shown == pytest.approx(foot_by_hand(coxa, femur, tibia), abs=0.15)
        # 130 mm from the mount, by 5 degrees: 130 cos 5° - 125 and -130 sin 5°.
        assert shown == pytest.approx([4.5, -11.3, 5.0], abs=0.05)
        terminal.type('q')
        said = terminal.end()
        assert terminal.process.returncode == 0
        assert 'The servos stay powered' in said
        assert f'Kept in {sequence}: 1.' in ' '.join(said.split())
        assert terminal.settings == terminal.before
    after = read_log(mock / 'log')
    assert not [record for record in after if record.event == 'release']
    kept = FeetStep({'left_front': Place(Frame.RESTING, 0.005, 0.0, 0.005)})
    (step,) = load_sequence(sequence).steps
    assert isinstance(step, FeetStep)
    assert step.places == kept.places


def foot_by_hand(coxa: float, femur: float, tibia: float) -> list[float]:
    """Place of left_front by its pulses, us, from where it rests, mm.

    From the files: centres 1508, 1494, 1512 us at 0, 18, -75 deg, 636.62 us/rad, the tibia the
    other way round; 32, 68, 104 mm; resting 125 mm outwards and 30 mm below. The formulas are those
    of DEVELOPERS.md.
    """
    q1 = (coxa - 1508.0) / 636.62
    q2 = radians(18.0) + (femur - 1494.0) / 636.62
    q3 = radians(-75.0) - (tibia - 1512.0) / 636.62
    rho = 32.0 + 68.0 * cos(q2) + 104.0 * cos(q2 + q3)
    return [
        rho * cos(q1) - 125.0,
        rho * sin(q1),
        68.0 * sin(q2) + 104.0 * sin(q2 + q3) + 30.0,
    ]


@pytest.mark.soak
def test_interrupted_on_its_way_at_60_columns() -> None:
    """Ctrl-C in the middle of a move: the robot rests, and what becomes of it is told.

    Keys that were pressed before the screen was there have moved nothing, and kept nothing.
    """
    with at_a_terminal(['jog', '--namespace', '/interrupted'], 60, 30) as terminal:
        terminal.type('wwk')
        terminal.read_until_shown('^  x outwards +s-  w\\+ +0.0 ', '^at rest')
        others = [f'{key.names[0]} {key.words}' for key in KEYS if key.act is not Act.MOVE]
        terminal.read_until_shown(*map(re.escape, others))
        assert all(len(line) <= 60 for line in terminal.lines)
        terminal.type('+k')
        terminal.read_until_shown('by 20 mm', '^kept 1; ')
        terminal.type('w')
        terminal.read_until_shown('^moving')
        terminal.process.send_signal(signal.SIGINT)
        said = terminal.end()
        assert terminal.process.returncode == 0
        assert terminal.settings == terminal.before
    assert 'on a mock board; nothing real moves' in ' '.join(terminal.said.split())
    assert 'The mock board ends with this command' in said
    assert '  - feet: {left_front: {x: 0 mm, y: 0 mm, z: 0 mm}}' in said


# ---- without a chain


def test_without_a_terminal_it_says_so() -> None:
    """Exit code 2, with what to use instead."""
    done = CliRunner().invoke(main, ['jog'])
    assert done.exit_code == 2
    assert 'keys and screen need a terminal' in done.stderr
    assert 'leg-kinematics move' in done.stderr


def test_keys_have_names() -> None:
    """Also when they come in pieces, or are none (ECMA-48, VT220; W as w)."""
    assert split_keys('wW\x1b[A\x1bOB\x1b[5~\t') == (
        ['w', 'w', 'up', 'down', 'page up', 'tab'],
        '',
    )
    assert split_keys('a\x1b') == (['a'], '\x1b')
    assert split_keys('\x1b[') == ([], '\x1b[')
    assert split_keys('\x1b[5') == ([], '\x1b[5')
    assert split_keys('\x1b[15~k\x01') == ([UNKNOWN, 'k', UNKNOWN], '')
    assert split_keys('\x1bk') == ([UNKNOWN, 'k'], '')


@pytest.mark.parametrize('columns', [60, 80])
@pytest.mark.parametrize('frame', Frame)
def test_the_screen_is_whole(columns: int, frame: Frame) -> None:
    """With long names, long troubles and places far from zero nothing is cut off or left out."""
    calibrated = bracken()
    jogging = Jogging(calibrated, 'right_middle', frame=frame)
    angles = tuple((-1.0, 1.2, -2.1) for _ in calibrated.legs)
    jogging.press('k', angles)
    span = (-2.2, 2.2)
    view = LegView.of(
        replace(calibrated.legs[4], expressible=(span, (-0.9, 1.3), span), limits=3 * (span,)),
        LegFrames(calibrated.robot),
        frame,
        angles[4],
        (1888.5, 2222.5, 999.5),
    )
    scene = Scene(
        robot='bracken',
        state='at rest, stopped on its way: a joint is 0.12 rad behind',
        trouble='the robot does not follow: it is lost\nbridge: lost board main: holding',
        remedy='Put the cable and the supply of the board right.',
        words='w does nothing now: the robot does not follow: it is lost',
        keeping='steps go to /home/somebody/robots/bracken/bench.yaml',
    )
    console = Console(width=columns, height=30, record=True, file=StringIO())
    console.print(screen(scene, jogging, view, columns))
    text = console.export_text()
    assert all(len(line) <= columns for line in text.splitlines())
    assert '…' not in text
    words = ' '.join(re.sub('[┏┓┗┛━┃]', ' ', text).split())
    for part in (scene.trouble, scene.remedy, scene.words, scene.keeping):
        assert ' '.join(part.split()) in words
    assert '* to the end of the servo map' in words
    # By hand: 1.2 rad is 68.75 deg; to -0.9 rad of the map 120.32 deg, to 1.3 rad 5.73 deg.
    for value in ('1888.5', '2222.5', '999.5', '-57.30', '68.75', '-120.32', '120.32*', '5.73*'):
        assert value in text.split()
    for key in KEYS:
        if key.act is not Act.MOVE:
            assert f'{key.names[0]} {key.words}' in words


# ---- the file


STEP = FeetStep({'left_front': Place(Frame.LEG, 0.1, 0.0, -0.03)})


def test_a_new_file_comes_with_the_first_step_and_goes_with_the_last(tmp_path: Path) -> None:
    """Nothing is written before, or left behind."""
    file = KeptFile(tmp_path / '2026: no.yaml')
    assert not file.path.exists()
    file.write([STEP, STEP])
    assert [each.places for each in load_places(file.path)] == [STEP.places, STEP.places]
    file.write([STEP])
    assert len(load_places(file.path)) == 1
    file.write([])
    assert not file.path.exists()
    file.write([STEP])
    assert len(load_places(file.path)) == 1


def load_places(path: Path) -> list[FeetStep]:
    """Read the feet steps of a file."""
    return [step for step in load_sequence(path).steps if isinstance(step, FeetStep)]


def test_a_file_that_is_there_only_grows(tmp_path: Path) -> None:
    """What was in it stays to the letter, with its comments, and is not taken back."""
    path = tmp_path / 'row.yaml'
    before = '# of the greenhouse\nname: row\nsteps:\n  - stand   # first\n'
    path.write_text(before, encoding='utf-8')
    file = KeptFile(path)
    assert file.before == 1
    file.write([STEP])
    assert path.read_text(encoding='utf-8').startswith(before)
    assert [each.places for each in load_places(path)] == [STEP.places]
    file.write([])
    assert path.read_text(encoding='utf-8') == before


def test_a_file_at_whose_end_no_step_can_be_is_left_alone(tmp_path: Path) -> None:
    """It is said before anything is kept."""
    path = tmp_path / 'row.yaml'
    text = 'steps:\n  - stand\nname: row\n'
    path.write_text(text, encoding='utf-8')
    with pytest.raises(CommandError, match='cannot be added at the end of this file'):
        KeptFile(path)
    assert path.read_text(encoding='utf-8') == text


def test_what_somebody_else_writes_meanwhile_is_not_lost(tmp_path: Path) -> None:
    """Neither in a file that was there, nor in one that was to be new."""
    for name, steps in (('old.yaml', [STEP]), ('new.yaml', [])):
        file = KeptFile(tmp_path / name)
        file.write(steps)
        file.path.write_text('name: else\nsteps: []\n', encoding='utf-8')
        with pytest.raises(LegKinematicsError, match=r'somebody changed|File exists'):
            file.write([STEP, STEP])
        assert file.path.read_text(encoding='utf-8') == 'name: else\nsteps: []\n'


def test_a_file_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    """With its name and the reason."""
    folder = tmp_path / 'gone'
    folder.mkdir()
    file = KeptFile(folder / 'bench.yaml')
    folder.rmdir()
    with pytest.raises(CommandError, match='cannot be written: No such file or directory'):
        file.write([STEP])
    with pytest.raises(CommandError, match='there is no folder'):
        KeptFile(folder / 'bench.yaml')


def test_somebody_is_asked_about_a_file_that_is_there(tmp_path: Path) -> None:
    """No changes nothing, and nothing is started."""
    path = tmp_path / 'row.yaml'
    before = 'name: row\nsteps:\n  - stand\n'
    path.write_text(before, encoding='utf-8')
    with at_a_terminal(['jog', '--keep', str(path)], 80, 24) as terminal:
        terminal.read_until(lambda: '[y/N]' in terminal.said)
        terminal.type('n\n')
        assert 'Aborted' in terminal.end()
        assert terminal.process.returncode == 1
    assert path.read_text(encoding='utf-8') == before
