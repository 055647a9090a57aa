# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One joint measured at a terminal, on the machine code of the board, with all that can go wrong.

The servo behind the pins is simulated, the person is played. What is judged are the pulses at the
pins, the files, and how each session is left. There is no source outside the project for the rules.
"""

import re
import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from itertools import pairwise
from math import degrees
from pathlib import Path
from shutil import copy
from time import monotonic, sleep
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board.simulated.true_servo import TrueServo
from leg_kinematics.calibration import load_servo_maps
from leg_kinematics.calibration.readings_file import ReadingsFile
from leg_kinematics.robot import load_robot

if TYPE_CHECKING:
    from test.cable import Cable
    from test.joints_on_chip import JointsOnChip
    from test.simulated_chip import ChipProcess, Pulse
    from test.terminal import PATIENCE, Terminal, at_a_terminal
else:
    from joints_on_chip import JointsOnChip
    from terminal import PATIENCE, Terminal, at_a_terminal

CONFIG = Path(__file__).parents[2] / 'config'
ROBOT = CONFIG / 'robots' / 'bench_leg.yaml'
MAPS = CONFIG / 'servo_maps' / 'bench_leg.yaml'
COXA, FEMUR = 'left_front_coxa', 'left_front_femur'

#: The servo of the coxa: reversed, with a stop 30 us beyond the second look to longer pulses.
STOP_US = 1570.0
TRUTH = TrueServo(0, gain=-10.0, horn_offset=5.0, slack=0.5, stops_us=(700.0, STOP_US))

#: Between these every pulse was allowed: the last look each way, and what is rounded and measured.
LOWEST_US, HIGHEST_US = 1300.0 - 3.0, 1600.0 + 3.0

#: A servo moves by no more between two of its pulses, µs: 200 us/s for the longest time that a
#: tick counts, 0.05 s, on either side of a pulse that came late.
LARGEST_STEP_US = 2.0 * 200.0 * 0.05 + 3.0

#: No stop is pressed for longer, s: a look takes 2 s and its way 0.5 s; where the host was lost
#: meanwhile, the board goes on for the 0.5 s of its silence.
LONGEST_PRESS = 3.2

#: Pulses farther apart belong to two times that the servo had power, s: with it, one comes every
#: 0.02 s, whatever the host does.
APART = 0.05

#: A pulse at the pin is what it was told within this, µs.
AT_PIN_US = 1.0

#: What the screen says of the pulse at which an angle is asked for.
AT = r'^At ([\d.]+) us, coming'

#: What is no angle, though it is made of what angles are.
NO_ANGLES = ('181', '-', '12.5.3')


class Bench:
    """A board with its cable, the joint at it, the files, and who measures it again and again."""

    def __init__(self, chip: 'ChipProcess', cable: 'Cable', folder: Path) -> None:
        """Connect the servo as it belongs."""
        self.chip = chip
        self.cable = cable
        self.folder = folder
        self.maps = Path(copy(MAPS, folder / 'maps.yaml'))
        self.robot = load_robot(ROBOT)
        self.joints = JointsOnChip(chip, {0: TRUTH})
        self.entries = 0

    def connect(self, truths: dict[int, TrueServo]) -> None:
        """Plug servos in, by channel."""
        self.joints = JointsOnChip(self.chip, truths)

    @property
    def arguments(self) -> list[str]:
        """Those of the command."""
        arguments = ['calibrate', str(ROBOT), '--servo-maps', str(self.maps), '--joint', COXA]
        arguments += ['--yes', '--output', str(self.folder / 'out')]
        return [*arguments, '--board', f'main=framed:{self.folder / "board"}']

    @contextmanager
    def session(self) -> Iterator[Terminal]:
        """Call the command, and see that it is left in good order, whatever was done in it."""
        with at_a_terminal(self.arguments, 110, 45) as terminal:
            yield terminal
            said = ' '.join(terminal.end().split())
            assert terminal.process.returncode == 0, said
            assert terminal.settings == terminal.before
        left = monotonic()
        assert 'no servo has pulses' in said
        file = ReadingsFile(self.folder / 'maps.readings.jsonl', self.robot, date(2026, 12, 1))
        assert not file.cut
        assert len(file.entries) >= self.entries
        self.entries = len(file.entries)
        if 'Written' not in said:
            assert 'The servo maps were not changed.' in said
            assert self.maps.read_bytes() == MAPS.read_bytes()
        assert not list(self.folder.glob('*.new'))
        assert not self.chip.pulses(left)

    def angles_at(self, pulse_us: float) -> dict[int, float]:
        """Read the joints off the protractor once the pin has a pulse, deg.

        On a busy machine the simulated chip is a little behind what the screen says.
        """
        until = monotonic() + PATIENCE
        while abs(self.chip.pulses()[-1].width_us - pulse_us) > AT_PIN_US:
            assert monotonic() < until, f'the pin never has {pulse_us:g} us'
            sleep(0.02)
        return self.joints.angles()


@pytest.fixture
def bench(
    chip_process: 'ChipProcess', lay_cable: Callable[[Path, Path], 'Cable'], tmp_path: Path
) -> Iterator[Bench]:
    """Set up a bench."""
    cable = lay_cable(chip_process.port, tmp_path / 'board')
    yield Bench(chip_process, cable, tmp_path)
    cable.close()


def powered(terminal: Terminal, *shown: str) -> None:
    """Have the servo get its pulses."""
    terminal.read_until_shown(f'^{COXA}$', '^no servo has pulses|^released: .* pulses are off')
    terminal.press('\r', *shown)


def powered_again(terminal: Terminal) -> None:
    """Have the servo get its pulses again, as soon as its board can be reached."""
    terminal.press('\r', '^not powered|^at rest: .* us')
    while any(line.startswith('not powered') for line in terminal.lines):
        terminal.mean_nothing('z')
        terminal.press('\r', '^not powered|^at rest: .* us')


def judge_pulses(pulses: Sequence['Pulse']) -> None:
    """See that only this servo had pulses, that none was beyond what was allowed, and no jump."""
    assert {pulse.channel for pulse in pulses} == {0}
    widths = [pulse.width_us for pulse in pulses]
    assert min(widths) >= LOWEST_US
    assert max(widths) <= HIGHEST_US
    pressed: float | None = None
    for before, after in pairwise(pulses):
        if after.start - before.end < APART:
            assert abs(after.width_us - before.width_us) <= LARGEST_STEP_US
        beyond = before.width_us > STOP_US + 1.0
        pressed = (before.start if pressed is None else pressed) if beyond else None
        if pressed is not None:
            assert before.end - pressed <= LONGEST_PRESS


def measured_at(terminal: Terminal, bench: Bench, left: int) -> None:
    """Type the angle once the servo stands where it is to be read."""
    terminal.read_until_shown(f'^{COXA}: angle', f'{left} to go', '^at rest')
    asked = re.search(AT, '\n'.join(terminal.lines), re.MULTILINE)
    assert asked
    terminal.type(f'{bench.angles_at(float(asked[1]))[0]:.1f}\r')
    terminal.read_until_shown('^taken: ')


def left_before_it_has_power(bench: Bench) -> None:
    """Press keys that mean nothing, and type an angle that nobody asked for; then leave."""
    with bench.session() as terminal:
        terminal.read_until_shown(f'^{COXA}$', '^no servo has pulses')
        terminal.mean_nothing('enpt7.')
        terminal.process.send_signal(signal.SIGINT)
    assert not bench.chip.pulses()
    assert bench.entries == 0


def left_while_the_horn_goes_on(bench: Bench) -> None:
    """Leave by Ctrl-C while the servo holds its first pulse."""
    with bench.session() as terminal:
        powered(terminal, f'^{COXA}: horn$', '^at rest: .* at 1500 us')
        terminal.mean_nothing('pe-')
        terminal.process.send_signal(signal.SIGINT)
    assert bench.entries == 0


def dead_and_swapped(bench: Bench) -> None:
    """Meet a servo that is dead, then two whose plugs are swapped; leave in the small move."""
    with bench.session() as terminal:
        bench.connect({0: replace(TRUTH, dead=True)})
        powered(terminal, f'^{COXA}: horn$', '^at rest: .* at 1500 us')
        stood = bench.angles_at(1500.0)
        terminal.press('\r', f'^{COXA}: which way', '^moving: .* at 1550 us')
        assert bench.angles_at(1550.0) == stood
        terminal.press('z', '^Pulses are off. Nothing moved by channel 0 of board main')
        bench.connect({0: TrueServo(1), 1: TRUTH})
        powered(terminal, f'^{COXA}: which way', '^at rest: .* at 1500 us')
        before = bench.angles_at(1500.0)
        terminal.press('a', '^moving: .* at 1550 us')
        after = bench.angles_at(1550.0)
        assert after[0] == before[0]
        # By hand: 50 us at 11 us a degree, within a dead band of 5 us.
        assert after[1] - before[1] == pytest.approx(50.0 / 11.0, abs=5.5 / 11.0)
        terminal.press('o', '^Pulses are off. channel 0 of board main drives another servo')
        bench.connect({0: TRUTH})
        powered(terminal, f'^{COXA}: which way', '^at rest: .* at 1500 us')
        terminal.press('a', '^moving: .* at 1550 us')
        terminal.process.send_signal(signal.SIGINT)


def reversed_and_left_at_its_stop(bench: Bench) -> None:
    """See it turn the other way, and leave just as it presses against its stop."""
    with bench.session() as terminal:
        powered(terminal, f'^{COXA}: which way', '^at rest: .* at 1500 us')
        stood = bench.angles_at(1500.0)[0]
        terminal.press('a', '^moving: .* at 1550 us')
        assert bench.angles_at(1550.0)[0] < stood - 4.0
        terminal.press('n', f'^{COXA}: free to longer', '^at rest')
        terminal.press('\r', '^moving: .* at 1600 us')
        terminal.process.send_signal(signal.SIGINT)


def stopped_and_unplugged(bench: Bench) -> None:
    """See it leave its stop by itself; pull the cable while it looks the other way.

    Nothing moves by itself once the cable is back.
    """
    with bench.session() as terminal:
        powered(terminal, f'^{COXA}: free to longer', '^at rest: .* at 1500 us')
        terminal.press('\r', '^moving: .* at 1550 us')
        terminal.press('\r', '^moving: .* at 1600 us')
        terminal.read_until_shown('^at rest: .* at 1550 us')
        terminal.press('t', 'The next step goes 25 us beyond 1550 us')
        terminal.press('e', f'^{COXA}: free to shorter')
        terminal.press('\r', '^moving: .* at 1450 us')
        bench.cable.pull()
        terminal.read_until_shown('^the servo does not obey any more')
        held = bench.chip.pulses()[-1]
        terminal.mean_nothing('te')
        terminal.press('\r', '^not (powered|allowed)')
        bench.cable.plug()
        terminal.read_until_shown('^released: ', 'has confirmed that its pulses')
        after = bench.chip.pulses(held.end)
        assert all(abs(pulse.width_us - held.width_us) < 2.0 for pulse in after)
        powered_again(terminal)
        terminal.read_until_shown(f'^{COXA}: free to shorter')
        terminal.process.send_signal(signal.SIGTERM)


def angles_that_are_none(bench: Bench) -> None:
    """Find the other end, type what is no angle, and leave on the way to the next pulse."""
    with bench.session() as terminal:
        powered(terminal, f'^{COXA}: free to shorter', '^at rest')
        for end in (1450, 1400, 1350, 1300):
            terminal.press('\r', f'^moving: .* at {end} us')
        terminal.type('e')
        terminal.read_until_shown(f'^{COXA}: angle', '^at rest')
        for typed in NO_ANGLES:
            terminal.press(f'{typed}\r', f"'{typed}' is no angle")
        terminal.mean_nothing('pt')
        measured_at(terminal, bench, 14)
        measured_at(terminal, bench, 13)
        terminal.process.send_signal(signal.SIGINT)


def left_at_the_result(bench: Bench) -> None:
    """Read two more angles, and close the terminal at the result."""
    with bench.session() as terminal:
        powered(terminal, f'^{COXA}: angle', '12 to go')
        measured_at(terminal, bench, 12)
        measured_at(terminal, bench, 11)
        terminal.press('d', f'^{COXA}: result')
        terminal.process.send_signal(signal.SIGHUP)


def at_the_summary(bench: Bench, end: Callable[[Terminal], None]) -> None:
    """Come to where it is asked whether it shall be written."""
    with bench.session() as terminal:
        powered(terminal, f'^{COXA}: angle', '10 to go')
        terminal.press('d', f'^{COXA}: result')
        terminal.press('\r', '^Summary$')
        end(terminal)


@pytest.mark.soak
def test_one_joint_in_nine_sessions(bench: Bench) -> None:
    """Each session meets something else, is interrupted at another stage, and the next goes on.

    In the end the map is right within a degree of the servo that nobody was told.
    """
    left_before_it_has_power(bench)
    left_while_the_horn_goes_on(bench)
    dead_and_swapped(bench)
    reversed_and_left_at_its_stop(bench)
    stopped_and_unplugged(bench)
    angles_that_are_none(bench)
    left_at_the_result(bench)
    at_the_summary(bench, lambda terminal: terminal.process.send_signal(signal.SIGINT))
    at_the_summary(bench, lambda terminal: terminal.type('y'))
    judge_pulses(bench.chip.pulses())
    written = load_servo_maps(bench.maps, bench.robot).by_joint
    coxa = written[COXA]
    assert (coxa.lowest_us, coxa.highest_us) == (1300.0, 1540.0)
    for pulse in (1350.0, 1450.0):
        assert degrees(coxa.angle(pulse)) == pytest.approx(TRUTH.angle(pulse), abs=1.0)
    assert written[FEMUR] == load_servo_maps(MAPS, bench.robot).by_joint[FEMUR]
    assert Path(f'{bench.maps}~').read_bytes() == MAPS.read_bytes()


#: Keys on the way into a stop, and what is shown after each.
INTO_THE_STOP = (
    ('\r', f'^{COXA}: horn$', '^at rest: .* at 1500 us'),
    ('\r', f'^{COXA}: which way', '^moving: .* at 1550 us'),
    ('n', f'^{COXA}: free to longer', '^at rest'),
    ('\r', '^moving: .* at 1600 us'),
)

#: After its host has gone a board acts within its silence, s, and a pulse more.
WITHIN_SILENCE = 0.5 + 0.1


@pytest.mark.soak
@pytest.mark.parametrize('steps', range(1, len(INTO_THE_STOP) + 1))
def test_a_command_that_is_killed(bench: Bench, steps: int) -> None:
    """Nobody says goodbye: the board lets go by itself, and what was answered is there."""
    with at_a_terminal(bench.arguments, 110, 45) as terminal:
        terminal.read_until_shown(f'^{COXA}$', '^no servo has pulses')
        for key, *shown in INTO_THE_STOP[:steps]:
            terminal.press(key, *shown)
        file = bench.folder / 'maps.readings.jsonl'
        answered = file.read_bytes() if file.exists() else b''
        terminal.process.kill()
        killed = monotonic()
    assert bool(answered) is (steps > 1)
    with bench.session() as terminal:
        goes_on = 'what was measured counts no more' if steps > 1 else 'give it pulses  x'
        terminal.read_until_shown(f'^{COXA}$', '^no servo has pulses', goes_on)
        terminal.type('q')
    assert (file.read_bytes() if file.exists() else b'') == answered
    pulses = bench.chip.pulses()
    judge_pulses(pulses)
    assert pulses[-1].end < killed + WITHIN_SILENCE
