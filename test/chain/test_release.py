# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Release at any instant, with real processes: off at once, and off for good."""

import random
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import pytest

from leg_kinematics.board import Record, read_log
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.commands.chain import Chain
from leg_kinematics.commands.operator import Operator
from leg_kinematics.gait import Twist
from leg_kinematics.robot import Robot
from leg_kinematics.solver import leg_solvers, posture_angles

if TYPE_CHECKING:
    from test.cable import Cable
    from test.witness import Witness

AHEAD = Twist(x=0.08)

RELEASED = 'released: pulses off until bridge/rearm'

LOST = 'lost board main: holding, trying to reopen'


def test_release_is_latched(
    bracken: Robot,
    servo_maps: ServoMaps,
    walking: 'tuple[Chain, Witness]',
    assert_no_jump: Callable[[Operator, Sequence[Record]], None],
) -> None:
    """Nothing but rearm ends it, no stream and no restart of the board; then it stays at rest."""
    chain, operator = walking
    operator.call('bridge/release')
    operator.wait_for('bridge', RELEASED)
    operator.drive(AHEAD, 1.0, 'released')
    before = len(read_log(chain.pulse_log))
    assert chain.mock is not None
    chain.mock.end()
    operator.spin(lambda: operator.values['bridge']['main.state'] == 'lost', 'the loss')
    chain.start_mock()
    operator.spin(lambda: operator.values['bridge']['main.state'] == 'ready', 'the board again')
    operator.drive(AHEAD, 1.0, 'still released')
    assert operator.states['bridge'] == RELEASED

    records = read_log(chain.pulse_log)
    start = next(index for index, record in enumerate(records) if record.event == 'release')
    assert start < before < len(records)
    assert 'boot' in {record.event for record in records[before:]}
    assert {record.enabled for record in records[start:]} == {0}

    operator.rearm()
    operator.wait_for('bridge', 'active')
    after = read_log(chain.pulse_log)[len(records) :]
    enabled: dict[int, float] = {}
    for record in after:
        if record.event == 'enable':
            for channel, pulse in record.pulses_us.items():
                enabled.setdefault(channel, pulse)  # it may be asked again on a busy machine
    legs = leg_solvers(bracken, {each.joint: each.angle_range for each in servo_maps.maps})
    resting = [angle for leg in posture_angles(bracken, legs, 'resting') for angle in leg]
    assert list(enabled) == [each.channel for each in servo_maps.maps]
    at_rest = {
        each.channel: pytest.approx(each.pulse_us(angle), abs=0.25)
        for each, angle in zip(servo_maps.maps, resting, strict=True)
    }
    assert enabled == at_rest
    operator.drive(AHEAD, 0.5, 'not told to stand')
    assert read_log(chain.pulse_log)[-1].pulses_us == at_rest
    operator.stand_again()
    operator.drive(AHEAD, 2.0, 'walking again')
    operator.drive_until(AHEAD, lambda: operator.states['gait'] == 'walking', 'a walk')
    assert_no_jump(operator, read_log(chain.pulse_log))


class Presser:
    """Somebody who presses release, and looks at what the board is told from then on."""

    def __init__(self, chain: Chain, operator: 'Witness', say: Callable[[str], None]) -> None:
        """Take a robot that has been brought up."""
        self._log = chain.pulse_log
        self._operator = operator
        self._say = say

    def press(self, when: str, answer: Callable[[], None] = lambda: None) -> float:
        """Release, do something else, see that the pulses are off and rearm; tell when, s."""
        operator = self._operator
        seen = len(read_log(self._log))
        pressed = monotonic()
        operator.call('bridge/release')
        answer()

        def released() -> list[Record]:
            new = read_log(self._log)[seen:]
            events = [record.event for record in new]
            return new[events.index('release') :] if 'release' in events else []

        operator.spin(lambda: bool(released()), 'a release at the board')
        operator.wait_for('bridge', RELEASED)
        operator.drive(AHEAD, 0.3, 'released')
        off, *_ = after = released()
        assert {record.enabled for record in after} == {0}
        assert 'enable' not in {record.event for record in after}
        self._say(f'release {when}: at the board after {1e3 * (off.time - pressed):.1f} ms')
        operator.states.pop('bridge')
        rearmed = monotonic()
        operator.rearm()
        return rearmed


def test_release_at_any_instant(
    start_chain: 'Callable[..., tuple[Chain, Witness]]',
    lay_cable: 'Callable[[Path, Path], Cable]',
    say: Callable[[str], None],
    tmp_path: Path,
) -> None:
    """In a walk, while legs are being enabled, and while the board is lost: nothing outlasts it."""
    rng = random.Random(5)
    settings = {'boards': f"['main=framed:{tmp_path / 'board'}']", 'enable_interval': 0.1}
    chain, operator = start_chain(bridge=settings)
    with closing(lay_cable(chain.link, tmp_path / 'board')) as cable:
        operator.bring_up()
        operator.stand()
        presser = Presser(chain, operator, say)
        for _ in range(2):
            operator.drive(AHEAD, rng.uniform(0.3, 1.2), 'walking')
            rearmed = presser.press('in a walk')
            operator.drive_until_said(AHEAD, rearmed, 'bridge', 'enabling legs')
            operator.drive(AHEAD, rng.uniform(0.0, 0.3), 'enabling legs')
            presser.press('while legs are being enabled')
            operator.stand_again()
        for wait in (0.0, rng.uniform(0.0, 0.1), 0.7):
            operator.drive(AHEAD, 0.5, 'walking')
            cable.pull()
            operator.drive(AHEAD, wait, 'lost')
            start = len(read_log(chain.pulse_log))
            presser.press(f'{wait:.3f} s after the cable was pulled', cable.plug)
            told = [r.event for r in read_log(chain.pulse_log)[start:] if r.event != 'silence']
            before = told[: told.index('release')]
            found = before.index('hello')
            # Poses from before the loss may still be on the line; hello may be said again.
            assert set(before[:found]) <= {'pose'}
            assert set(before[found:]) == {'hello'}
            operator.stand_again()
        operator.drive(AHEAD, 1.5, 'walking again')
        operator.drive_until(AHEAD, lambda: operator.states['gait'] == 'walking', 'a walk')
