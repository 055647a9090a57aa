# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One leg from nothing, as a new user types it: the commands on the shipped firmware.

The firmware runs on a simulated chip behind a pty; the foot is where the edges at its pins say.
"""

import json
import subprocess
import sys
from collections.abc import Sequence
from itertools import pairwise
from math import dist
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from leg_kinematics.board.framed import frames
from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.moves.places import Frame, LegFrames
from leg_kinematics.robot import Vector

if TYPE_CHECKING:
    from test.simulated_chip import ChipProcess

CONFIG = Path(__file__).parents[2] / 'config'

FILES = [
    '--robot',
    str(CONFIG / 'robots' / 'bench_leg.yaml'),
    '--servo-maps',
    str(CONFIG / 'servo_maps' / 'bench_leg.yaml'),
]

COMMAND = [sys.executable, '-c', 'from leg_kinematics.commands.main import main; main()']

LEG = 'left_front'

#: For a command on a busy machine, s.
PATIENCE = 100.0

#: m, as `line_tolerance` promises, and what rounding of three pulses to half a microsecond adds.
LINE_TOLERANCE = 0.5e-3
ROUNDING = 0.1e-3

#: m, of a foot from its place at the end of a line.
AT_PLACE = 0.1e-3

#: Of a pulse at a pin, as the firmware's own tests have it, us.
ACCURACY_US = 2.0

#: Where `move` leaves the foot, in the resting frame, mm.
LEFT_AT = (40, 0, -40)

#: From there every corner of the row of lines, computed by hand from the file.
LINES = [
    LEFT_AT, (40, 0, 10), (-20, -15, 10),
    (-20, -15, 0), (20, -15, 0), (20, -15, 10), (-20, 0, 10),
    (-20, 0, 0), (20, 0, 0), (20, 0, 10), (-20, 15, 10),
    (-20, 15, 0), (20, 15, 0), (20, 15, 10),
    (0, 0, 10), (0, 0, 0),
]  # fmt: skip


@pytest.fixture(scope='module')
def leg() -> CalibratedRobot:
    """Return the leg on the bench."""
    return CalibratedRobot.load(FILES[1], FILES[3])


def run(*arguments: str) -> str:
    """Run a command that succeeds, and return what a script reads of it."""
    done = subprocess.run(
        [*COMMAND, *arguments],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=PATIENCE,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def poses(chip: 'ChipProcess') -> list[tuple[float, tuple[float, ...]]]:
    """When the chip has heard poses, s, and their pulses, us."""
    return [
        (time, tuple(frame.message.pulses_us[:3]))
        for time, frame in chip.heard()
        if isinstance(frame.message, frames.Pose)
    ]


def foot(leg: CalibratedRobot, pulses: Sequence[float]) -> Vector:
    """Where three pulses have the foot, m."""
    q1, q2, q3 = (each.angle(us) for each, us in zip(leg.maps.maps, pulses, strict=True))
    return leg.legs[0].foot((q1, q2, q3))


def test_from_nothing_to_a_row_of_lines(
    leg: CalibratedRobot, chip_process: 'ChipProcess', tmp_path: Path
) -> None:
    """Check it, move its foot, play a row of lines: straight, all joints together, on the place."""
    report = json.loads(run('check', FILES[1], *FILES[2:], '--output', str(tmp_path), '--json'))
    assert report['verdict'] == 'pass'

    board = [
        '--board',
        f'main=framed:{chip_process.port}',
        '--yes',
        '--json',
        '--namespace',
        '/bench',
    ]
    moved = json.loads(run('move', LEG, 'x=40mm', 'z=-40mm', *FILES, *board))
    assert moved['state'] == 'finished'
    corners = [(0, 0, 0), (40, 0, 0), LEFT_AT]
    see_lines(leg, [foot(leg, pulses) for _, pulses in poses(chip_process)], corners)
    see_pins(chip_process)

    told = poses(chip_process)
    example = (CONFIG / 'sequences' / 'lines.yaml').read_text(encoding='utf-8')
    quick = tmp_path / 'lines.yaml'
    quick.write_text(example.replace('60 mm/s', '200 mm/s'), encoding='utf-8')
    lines = json.loads(run('play', str(quick), *FILES, *board))
    assert lines['state'] == 'finished'
    # The board has held in between, and the leg begins where it stands.
    played = poses(chip_process)[len(told) :]
    see_lines(leg, [foot(leg, pulses) for _, pulses in played], LINES)
    see_pins(chip_process)


def see_lines(
    leg: CalibratedRobot, feet: Sequence[Vector], corners: Sequence[Sequence[float]]
) -> None:
    """See that feet go from corner to corner, given in mm from rest, and come to each of them."""
    frames_of = LegFrames(leg.robot)
    points = np.array(
        [frames_of.point(LEG, Frame.RESTING, (1e-3 * x, 1e-3 * y, 1e-3 * z)) for x, y, z in corners]
    )
    way = np.array(feet)
    begin = 0
    for start, end in pairwise(points):
        # Feet come to rest at every corner, so there is a pose there.
        arrivals = np.flatnonzero(np.linalg.norm(way[begin:] - end, axis=1) <= AT_PLACE)
        assert arrivals.size, f'no foot within {AT_PLACE * 1e3} mm of {end}'
        part = way[begin : begin + int(arrivals[0]) + 1]
        line = end - start
        share = np.clip((part - start) @ line / (line @ line), 0.0, 1.0)
        off = np.linalg.norm(part - start - np.outer(share, line), axis=1)
        assert off.max() <= LINE_TOLERANCE + ROUNDING
        begin += int(arrivals[0])
    assert dist(feet[-1], points[-1]) <= AT_PLACE


def see_pins(chip: 'ChipProcess') -> None:
    """See that the pins put out the last pose."""
    _, last = poses(chip)[-1]
    latest = {pulse.channel: pulse.width_us for pulse in chip.pulses()}
    assert sorted(latest) == [0, 1, 2]
    for channel, pulse_us in enumerate(last):
        assert abs(latest[channel] - pulse_us) <= ACCURACY_US
