# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The fault table: whatever goes wrong in mid-step, no servo jumps, and the robot walks on.

Each test is a row and prints its figures. The first rows strike one robot, which goes on walking
from row to row; a cable between bridge and board can be pulled, cut or jammed at any moment.
"""

import random
import signal
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

import pytest
from lifecycle_msgs.msg import Transition

from leg_kinematics.board import Reaction, Record, SilenceAction, read_log
from leg_kinematics.board.framed import FramedDriver
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.commands.chain import Chain, MockProcess
from leg_kinematics.commands.operator import NoAnswerError, Operator
from leg_kinematics.gait import Twist

if TYPE_CHECKING:
    from test.cable import Cable
    from test.witness import Said, Witness

AHEAD = Twist(x=0.08)

LOST = 'lost board main: holding, trying to reopen'

StartChain = Callable[..., 'tuple[Chain, Witness]']
NoJump = Callable[[Operator, Sequence[Record]], None]


@dataclass
class Scene:
    """A robot that walks, who drives it, and when the fault began and ended."""

    chain: Chain
    operator: 'Witness'
    servo_maps: ServoMaps
    assert_no_jump: NoJump
    say: Callable[[str], None]
    struck: float = 0.0
    mended: float = 0.0

    def strike(self) -> None:
        """Begin the time of the fault."""
        self.struck = monotonic()

    def suffer(self, seconds: float) -> None:
        """Go on commanding while the fault lasts."""
        self.operator.drive(AHEAD, seconds, 'in trouble')

    def until(self, condition: Callable[[], bool], what: str) -> None:
        """Go on commanding until something is true."""
        self.operator.drive_until(AHEAD, condition, what)

    def records(self) -> list[Record]:
        """Give what happened at the board from just before the fault on."""
        return [r for r in read_log(self.chain.pulse_log) if r.time > self.struck - 0.3]

    def poses(self) -> list[Record]:
        """Give the poses among them."""
        return [record for record in self.records() if record.event == 'pose']

    def said(self, words: str) -> 'Said':
        """Give what the bridge said first with these words since the fault; waits for it."""
        return self.operator.drive_until_said(AHEAD, self.struck, 'bridge', words)

    def walks_on(self, row: str) -> None:
        """See the servos walk again without anybody's help, and no jump; print the row."""
        operator = self.operator
        self.until(lambda: operator.states['bridge'] == 'active', 'an active bridge')
        operator.drive(AHEAD, 0.5, 'catching up')
        operator.walk_on(AHEAD, self.poses, len(self.servo_maps.maps))
        states = {
            'kinematics': 'following foot_targets',
            'gait': 'walking',
            'bridge': 'active',
        }
        self.until(lambda: operator.states == states, f'{states}')
        records = self.records()
        self.assert_no_jump(operator, records)
        assert not [r for r in records if r.event == 'refused']
        poses = self.poses()
        for each in self.servo_maps.maps:
            assert all(
                each.lowest_us <= r.pulses_us[each.channel] <= each.highest_us for r in poses
            )
        gap = max(later.time - earlier.time for earlier, later in pairwise(poses))
        again = next(r.time for r in poses if r.time > self.mended) - self.mended
        self.say(f'{row}: {gap:.2f} s without a pose, the next {again:.3f} s after the fault')


@pytest.fixture(scope='module')
def shared(
    start_shared_chain: StartChain,
    lay_cable: 'Callable[[Path, Path], Cable]',
    tmp_path_factory: pytest.TempPathFactory,
) -> 'Iterator[tuple[Chain, Witness, Cable]]':
    """Return the robot that walks through the first rows."""
    end = tmp_path_factory.mktemp('cable') / 'board'
    chain, operator = start_shared_chain(bridge={'boards': f"['main=framed:{end}']"})
    cable = lay_cable(chain.link, end)
    operator.bring_up()
    operator.stand()
    yield chain, operator, cable
    cable.close()


@pytest.fixture
def cable(shared: 'tuple[Chain, Witness, Cable]') -> 'Cable':
    """Return the cable between its bridge and its board."""
    return shared[2]


@pytest.fixture
def scene(
    shared: 'tuple[Chain, Witness, Cable]',
    servo_maps: ServoMaps,
    walk_into_a_step: 'Callable[[Witness], None]',
    assert_no_jump: NoJump,
    say: Callable[[str], None],
) -> Scene:
    """Return the robot in mid-step."""
    chain, operator, _ = shared
    walk_into_a_step(operator)
    made = Scene(chain, operator, servo_maps, assert_no_jump, say)
    made.strike()
    return made


@pytest.mark.parametrize('seconds', [0.1, 1.0, pytest.param(10.0, marks=pytest.mark.soak)])
def test_the_cable_is_out(scene: Scene, cable: 'Cable', seconds: float) -> None:
    """The board holds; the bridge finds it again under its name and catches up with the gait."""
    cable.pull()
    scene.suffer(seconds)
    cable.plug()
    scene.mended = monotonic()
    said = scene.said(LOST).time - scene.struck
    scene.walks_on(f"cable out for {seconds:g} s: 'lost board' after {said:.3f} s")


def test_garbage_from_the_board(scene: Scene, cable: 'Cable') -> None:
    """Nothing is made of it; the bridge takes the board for lost and tries until it is sane."""
    noise = random.Random(1)
    before = int(scene.operator.values['bridge']['main.bad_frames'])
    cable.spoil(lambda data: noise.randbytes(3 * len(data)))
    scene.suffer(1.0)
    cable.spoil(bytes)
    scene.mended = monotonic()
    said = scene.said(LOST).time - scene.struck
    scene.until(
        lambda: int(scene.operator.values['bridge']['main.bad_frames']) > before, 'bad frames'
    )
    bad = int(scene.operator.values['bridge']['main.bad_frames']) - before
    scene.walks_on(f"garbage from the board for 1 s: 'lost board' after {said:.3f} s, {bad} bad")


def test_a_silent_board_that_is_alive(scene: Scene, cable: 'Cable') -> None:
    """A board that hears but does not answer is lost as well."""
    cable.spoil(lambda _: b'')
    scene.suffer(1.0)
    cable.spoil(bytes)
    scene.mended = monotonic()
    said = scene.said(LOST).time - scene.struck
    scene.walks_on(f"silent board for 1 s: 'lost board' after {said:.3f} s")


def test_a_stalled_reader(scene: Scene, cable: 'Cable') -> None:
    """Half a frame gets through, then the line takes no more; the board makes nothing of it."""
    cable.jam()
    scene.until(lambda: cable.jammed, 'half a frame')
    lost = scene.said(LOST)
    scene.suffer(0.5)
    cable.free()
    scene.mended = monotonic()
    assert 'it takes no more' in lost.values['main.last_error']
    scene.until(
        lambda: 'bad' in {record.event for record in scene.records()}, 'the end of that frame'
    )
    said = lost.time - scene.struck
    scene.walks_on(f"stalled reader, half a frame sent: 'lost board' after {said:.3f} s")


@pytest.mark.parametrize('seconds', [0.3, 3.0])
def test_a_bridge_that_is_stopped(scene: Scene, seconds: float) -> None:
    """The board holds; the bridge goes on from there."""
    bridge = scene.chain.nodes['bridge']
    bridge.send_signal(signal.SIGSTOP)
    scene.suffer(seconds)
    bridge.send_signal(signal.SIGCONT)
    scene.mended = monotonic()
    scene.walks_on(f'bridge stopped for {seconds:g} s')


def test_a_kinematics_that_is_gone(scene: Scene) -> None:
    """The bridge brakes and holds; a new kinematics node is all that it takes to walk on."""
    kinematics = scene.chain.nodes['kinematics']
    kinematics.kill()
    kinematics.wait()
    silent = scene.said('joint_trajectory fell silent in motion: holding')
    said = silent.time - scene.struck
    scene.operator.see_hold(AHEAD, scene.poses, len(scene.servo_maps.maps), 0.8)
    scene.operator.states.pop('kinematics')
    scene.chain.start('kinematics')
    scene.mended = monotonic()
    scene.walks_on(f"kinematics gone for 1 s: 'fell silent in motion' after {said:.3f} s")


def test_a_supply_that_sags(
    start_chain: StartChain,
    servo_maps: ServoMaps,
    walk_into_a_step: 'Callable[[Witness], None]',
    assert_no_jump: NoJump,
    say: Callable[[str], None],
) -> None:
    """A battery that gives out is told, with its voltage; the robot is not let fall."""
    chain, operator = start_chain(
        '--supply=6.0', '--low-voltage=5.2', '--sag=4.8', '--sag-at=600', '--sag-for=1.5'
    )
    operator.bring_up()
    operator.stand()
    walk_into_a_step(operator)
    scene = Scene(chain, operator, servo_maps, assert_no_jump, say)
    # It sags when the board has heard so much, perhaps before that step.
    said = scene.said('low supply voltage of board main: 4.8 V')
    supply = [record for record in scene.records() if record.event == 'supply']
    assert [record.detail for record in supply[:1]] == ['low']
    scene.struck = supply[0].time
    scene.mended = monotonic()
    delay = said.time - scene.struck
    scene.walks_on(f"low supply: 'low supply voltage' {delay:.3f} s after the board noticed")
    on = {record.enabled for record in scene.records() if record.event == 'pose'}
    assert on == {sum(1 << each.channel for each in servo_maps.maps)}


def refusal(chain: Chain, operator: 'Witness') -> str:
    """Have the bridge refuse the board it finds; nothing may have been commanded."""
    operator.wait_for_graph()
    with pytest.raises(NoAnswerError):
        operator.change_bridge(Transition.TRANSITION_CONFIGURE)
    operator.spin(
        lambda: operator.states.get('bridge', 'unconfigured') != 'unconfigured',
        'a word of the bridge',
    )
    events = {record.event for record in read_log(chain.pulse_log)}
    assert events <= {'boot', 'hello', 'setting'}, events
    return operator.states['bridge']


def test_another_version_of_the_protocol(
    start_chain: StartChain, say: Callable[[str], None]
) -> None:
    """The bridge does not talk to such a board, and says which firmware it wants."""
    words = refusal(*start_chain('--protocol=99'))
    assert 'speaks protocol 99' in words
    assert 'leg-kinematics firmware' in words
    say(f'another protocol: {words}')


def test_limits_that_differ(
    start_chain: StartChain,
    servo_maps: ServoMaps,
    say: Callable[[str], None],
    tmp_path: Path,
) -> None:
    """A board that was calibrated for other servos is not driven with these maps."""
    first, *_ = servo_maps.maps
    memory = tmp_path / 'memory'
    board = MockProcess(tmp_path / 'port', tmp_path / 'log', [f'--memory={memory}'])
    driver = FramedDriver(str(tmp_path / 'port'))
    try:
        driver.open()
        others = {first.channel: (first.lowest_us, first.highest_us - 100.0)}
        driver.configure(others, SilenceAction(Reaction.HOLD, 0.5), store=True)
    finally:
        driver.close()
        board.end()
    words = refusal(*start_chain(f'--memory={memory}'))
    assert f'channel {first.channel} stores' in words
    assert 'store_limits' in words
    say(f'limits that differ: {words}')
