# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A leg surveyed at a terminal, on the machine code of the board, with all that can go wrong.

The servos behind the pins are simulated, the person is played. What is judged are the pulses at the
pins, the files, and how each session is left. There is no source outside the project for the rules.
"""

import shutil
import signal
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from itertools import pairwise
from math import copysign, radians
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.calibration import ServoMap
from leg_kinematics.calibration.joint_readings import AngleRead
from leg_kinematics.calibration.measured import Reading
from leg_kinematics.calibration.readings_file import ReadingsFile
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.commands.bench.calibration_session import joint_tasks
from leg_kinematics.commands.bench.mock_robot import TrueRobot

if TYPE_CHECKING:
    from test.cable import Cable
    from test.joints_on_chip import JointsOnChip
    from test.simulated_chip import ChipProcess, Pulse
    from test.terminal import Terminal, at_a_terminal
else:
    from joints_on_chip import JointsOnChip
    from terminal import Terminal, at_a_terminal

CONFIG = Path(__file__).parents[2] / 'config'
LEG = 'left_front'
TODAY = date(2026, 12, 1)

#: A pulse at the pin is what it was told within this, µs, with what a board rounds.
AT_PIN_US = 3.0

#: Half a radian a second is at most so many µs/s with the maps of the leg; for the longest time
#: that a tick counts, 0.05 s, on either side of a pulse that came late.
LARGEST_STEP_US = 2.0 * 0.5 * 700.0 * 0.05 + AT_PIN_US

#: Pulses farther apart belong to two times that the servo had power, s.
APART = 0.05

#: At these pulses the angles of the joints were read before, µs.
READ_AT = (1000.0, 1250.0, 1500.0, 1750.0, 2000.0)

MOVING = f'^{LEG}: where is the foot.$'
RESTS = 'The leg rests'
DOUBTED = f'^{LEG}: really there.$'


class Bench:
    """A board with its cable, a leg at it, the files, and who surveys it again and again."""

    def __init__(self, chip: 'ChipProcess', cable: 'Cable', folder: Path) -> None:
        """Connect the servos as they belong, and note the angles that a protractor has shown."""
        self.chip = chip
        self.cable = cable
        self.folder = folder
        self.robot = Path(shutil.copy(CONFIG / 'robots' / 'bench_leg.yaml', folder / 'mine.yaml'))
        maps = CONFIG / 'servo_maps' / 'bench_leg.yaml'
        self.maps = Path(shutil.copy(maps, folder / 'maps.yaml'))
        self.former = self.robot.read_bytes(), self.maps.read_bytes()
        calibrated = CalibratedRobot.load(self.robot, self.maps)
        self.present = calibrated.maps.by_joint
        self.height = calibrated.robot.standing.height
        tasks = joint_tasks(calibrated.robot, list(self.present.values()))
        self.joints = [task.joint for task in tasks]
        self.truth = TrueRobot.at(folder / 'truth.json', calibrated.robot, tasks, self.present)
        self.on_chip = JointsOnChip(chip, {})
        self.connect()
        file = self.readings()
        for joint in self.joints:
            servo = self.truth.servos[joint]
            # A joint stays behind by half of slack and dead band.
            behind = servo.slack / 2.0 + servo.dead_band_us / abs(servo.gain) / 2.0
            way = copysign(behind, servo.gain)
            for pulse in READ_AT:
                up, down = (radians(round(servo.angle(pulse) + off)) for off in (-way, way))
                file.add(AngleRead(joint, Reading(pulse, up, 'up')))
                file.add(AngleRead(joint, Reading(pulse, down, 'down')))
        self.entries = len(file.entries)

    def connect(self, *, dead: str = '', swapped: bool = False) -> None:
        """Plug the servos in: one of them dead, or the plugs of femur and tibia swapped."""
        servos = self.truth.servos
        truths = {
            self.present[joint].channel: replace(servos[joint], dead=joint == dead)
            for joint in self.joints
        }
        if swapped:
            _, femur, tibia = (self.present[joint].channel for joint in self.joints)
            truths[femur], truths[tibia] = truths[tibia], truths[femur]
        self.on_chip = JointsOnChip(self.chip, truths)

    def readings(self) -> ReadingsFile:
        """Read what was measured so far."""
        described = CalibratedRobot.load(self.robot, self.maps).robot
        return ReadingsFile(self.maps.with_suffix('.readings.jsonl'), described, TODAY)

    def ruler(self) -> str:
        """Say where the foot is, as it is typed."""
        angles = self.on_chip.angles()
        coxa, femur, tibia = (
            radians(angles[self.truth.servos[joint].joint]) for joint in self.joints
        )
        x, y, z = self.truth.legs[LEG].foot((coxa, femur, tibia))
        return f'{1e3 * x:.1f} {1e3 * y:.1f} {1e3 * (z + self.height):.1f}'

    @contextmanager
    def session(self) -> Iterator[Terminal]:
        """Call the command, and see that it is left in good order, whatever was done in it."""
        arguments = ['survey', str(self.robot), '--servo-maps', str(self.maps), '--yes']
        arguments += ['--board', f'main=framed:{self.folder / "board"}']
        arguments += ['--output', str(self.folder / 'out')]
        with at_a_terminal(arguments, 100, 45) as terminal:
            yield terminal
            said = ' '.join(terminal.end().split())
            assert terminal.process.returncode == 0, said
            assert terminal.settings == terminal.before
        left = monotonic()
        assert 'no leg has pulses' in said
        file = self.readings()
        assert not file.cut
        assert len(file.entries) >= self.entries
        self.entries = len(file.entries)
        if 'Written' not in said:
            assert 'Description and servo maps were not changed.' in said
            assert (self.robot.read_bytes(), self.maps.read_bytes()) == self.former
        assert not list(self.folder.glob('*.new'))
        assert not self.chip.pulses(left)


@pytest.fixture
def bench(
    chip_process: 'ChipProcess', lay_cable: Callable[[Path, Path], 'Cable'], tmp_path: Path
) -> Iterator[Bench]:
    """Set up a bench."""
    cable = lay_cable(chip_process.port, tmp_path / 'board')
    yield Bench(chip_process, cable, tmp_path)
    cable.close()


def powered(terminal: Terminal) -> None:
    """Have the legs get their pulses, and wait until the leg is at a point."""
    terminal.read_until_shown('^The legs get pulses$', '^no leg has pulses')
    terminal.press('\r', MOVING, RESTS)


def judge_pulses(pulses: Sequence['Pulse'], maps: Sequence[ServoMap]) -> None:
    """See that only this leg had pulses, within its maps, and that nothing jumped."""
    bounds = {each.channel: (each.lowest_us, each.highest_us) for each in maps}
    of_servo = defaultdict(list)
    for pulse in pulses:
        of_servo[pulse.channel].append(pulse)
    assert of_servo.keys() == bounds.keys()
    for channel, own in of_servo.items():
        low, high = bounds[channel]
        widths = [pulse.width_us for pulse in own]
        assert low - AT_PIN_US <= min(widths)
        assert max(widths) <= high + AT_PIN_US
        for before, after in pairwise(own):
            if after.start - before.end < APART:
                assert abs(after.width_us - before.width_us) <= LARGEST_STEP_US


def left_before_it_has_power(bench: Bench) -> None:
    """Press keys that mean nothing; then leave."""
    with bench.session() as terminal:
        terminal.read_until_shown('^The legs get pulses$', '^no leg has pulses')
        terminal.mean_nothing('enpt7')
        terminal.process.send_signal(signal.SIGINT)
    assert not bench.chip.pulses()


def left_on_the_way(bench: Bench) -> None:
    """Leave by Ctrl-C while the leg is on its way to its first point."""
    with bench.session() as terminal:
        terminal.read_until_shown('^The legs get pulses$', '^no leg has pulses')
        terminal.press('\r', MOVING, 'The leg is on its way')
        terminal.process.send_signal(signal.SIGINT)


def typed_nonsense_and_unplugged(bench: Bench) -> None:
    """Type what is no position, measure, and pull the cable while the leg is on its way.

    Nothing moves by itself once the cable is back.
    """
    with bench.session() as terminal:
        powered(terminal)
        for typed, told in (
            ('12 40', 'has 2 of three numbers'),
            ('1 2 3 4', 'four|4 of three|three numbers'),
        ):
            terminal.press(f'{typed}\r', told)
        terminal.press(f'{bench.ruler()}\r', ', 1 measured', 'The leg is on its way')
        bench.cable.pull()
        terminal.read_until_shown('^The legs do not obey$')
        held = {pulse.channel: pulse for pulse in bench.chip.pulses()}
        since = max(pulse.end for pulse in held.values())
        terminal.mean_nothing('t')
        bench.cable.plug()
        terminal.read_until_shown('^holding: power the legs to go on')
        for pulse in bench.chip.pulses(since):
            assert abs(pulse.width_us - held[pulse.channel].width_us) < AT_PIN_US
        terminal.press('\r', MOVING, RESTS)
        terminal.process.send_signal(signal.SIGTERM)


def dead_and_swapped(bench: Bench) -> None:
    """Measure at a servo that is dead, then with swapped plugs: it is asked about."""
    for wrong in ({'dead': f'{LEG}_tibia'}, {'swapped': True}):
        bench.connect(**wrong)
        with bench.session() as terminal:
            powered(terminal)
            terminal.press(
                f'{bench.ruler()}\r', DOUBTED, 'By the present maps the foot is about at'
            )
            terminal.process.send_signal(signal.SIGHUP)
    bench.connect()


def measured_and_written(bench: Bench) -> None:
    """Measure three points more, leave at the result, come again, and have it written."""
    with bench.session() as terminal:
        powered(terminal)
        for measured in (2, 3, 4):
            terminal.read_until_shown(MOVING, RESTS)
            terminal.press(f'{bench.ruler()}\r', f', {measured} measured')
        terminal.press('d', f'^{LEG}: result$', 'feet land')
        terminal.process.send_signal(signal.SIGINT)
    with bench.session() as terminal:
        powered(terminal)
        terminal.press('d', f'^{LEG}: result$', 'feet land')
        terminal.press('\r', '^Summary$', 'write description and servo maps')
        terminal.type('y')


@pytest.mark.soak
@pytest.mark.timeout(300)
def test_a_leg_in_seven_sessions(bench: Bench) -> None:
    """Each session meets something else, is interrupted at another stage, and the next goes on."""
    left_before_it_has_power(bench)
    left_on_the_way(bench)
    typed_nonsense_and_unplugged(bench)
    dead_and_swapped(bench)
    measured_and_written(bench)
    judge_pulses(bench.chip.pulses(), list(bench.present.values()))
    assert len(bench.readings().feet) == 4
    for file, former in zip((bench.robot, bench.maps), bench.former, strict=True):
        assert file.read_bytes() != former
        assert Path(f'{file}~').read_bytes() == former
    CalibratedRobot.load(bench.robot, bench.maps)
