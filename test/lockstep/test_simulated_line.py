# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The simulated line against a board that is told the same frames, as protocol.md has them."""

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leg_kinematics.board import BoardLink, BoardSpec, Reaction, SilenceAction
from leg_kinematics.board.framed import frames
from leg_kinematics.board.framed.driver import LOST_AFTER
from leg_kinematics.board.link import REOPEN_EVERY, LinkState
from leg_kinematics.board.simulated.board import SimulatedBoard
from leg_kinematics.board.simulated.line import SimulatedDriver, SimulatedLine
from leg_kinematics.board.simulated.memory import Memory
from leg_kinematics.board.simulated.servo import ServoDynamics
from leg_kinematics.errors import LinkLostError, NotSentError, PortError, RefusedError

DYNAMICS = ServoDynamics(speed_us_per_s=4000.0, dead_band_us=4.0)
LIMITS = {0: (600.0, 2400.0), 1: (900.0, 2100.0)}
SILENCE = SilenceAction(Reaction.HOLD, 0.5)

CHANNELS = st.frozensets(st.sampled_from([0, 1, 2]), min_size=1)
PULSES = st.dictionaries(
    st.sampled_from([0, 1, 2]), st.integers(1000, 5000).map(lambda half: half / 2.0), min_size=1
)
OPERATIONS = st.one_of(
    st.tuples(st.just('pose'), PULSES),
    st.tuples(st.just('enable'), CHANNELS),
    st.tuples(st.just('release'), st.none()),
    st.tuples(st.just('wait'), st.floats(0.0, 1.0)),
)


class Reference:
    """A board that is told frames, and whether it refuses them."""

    def __init__(self) -> None:
        """Switch it on with the same settings."""
        self.board = SimulatedBoard(DYNAMICS, 0.0, memory=Memory())
        self.now = 0.0
        self._seq = 100
        self.tell(frames.Hello())
        self.tell(frames.Silence(SILENCE.reaction, round(1000 * SILENCE.timeout)))
        for channel, (lowest, highest) in LIMITS.items():
            self.tell(frames.Limits(channel, lowest, highest, replace=False))

    def tell(self, message: frames.Message) -> bool:
        """Send a frame; tell whether it was obeyed."""
        self._seq = (self._seq + 1) % 256
        answers = self.board.receive(frames.encode(message, self._seq), self.now)
        (answer,) = frames.FrameDecoder().feed(answers)
        assert isinstance(answer, frames.Frame)
        assert answer.seq == self._seq
        return not isinstance(answer.message, frames.Refused)


def opened() -> tuple[SimulatedLine, SimulatedDriver]:
    """Open and configure a board."""
    line = SimulatedLine(DYNAMICS)
    driver = SimulatedDriver(line)
    driver.open()
    driver.configure(LIMITS, SILENCE)
    return line, driver


@given(st.lists(OPERATIONS, max_size=12))
def test_the_board_does_what_it_would_do_for_the_same_frames(
    operations: list[tuple[str, object]],
) -> None:
    """Poses, enables, releases and silences: the same pulses, and refused is what is refused."""
    line, driver = opened()
    reference = Reference()
    for name, value in operations:
        match name, value:
            case 'pose', dict():
                driver.set_pulses(value)
                pulses = tuple(value.get(channel, 0.0) for channel in range(frames.CHANNELS))
                reference.tell(frames.Pose(pulses))
            case 'enable', frozenset():
                if reference.tell(frames.Enable(frames.to_mask(value))):
                    driver.enable(value)
                else:
                    with pytest.raises(RefusedError, match='enable'):
                        driver.enable(value)
            case 'release', _:
                assert driver.release().exception(timeout=0) is None
                reference.tell(frames.Release())
            case _, float():
                reference.now += value
                reference.board.advance(reference.now)
                line.advance(line.now + value)
        assert line.board is not None
        assert line.board.outputs_us == reference.board.outputs_us
        assert line.board.positions_us == reference.board.positions_us
        line.advance(line.now + 0.2)
        reference.now += 0.2
        reference.board.advance(reference.now)
        assert driver.status().enabled == reference.board.enabled


def test_a_board_tells_who_it_is() -> None:
    """Boots, channels and the pulses that are on already."""
    line, driver = opened()
    driver.set_pulses({0: 1500.0, 1: 1600.0})
    driver.enable([0])
    assert driver.status().pose_us == {0: 1500.0, 1: 1600.0}
    later = SimulatedDriver(line).open()
    assert (later.channels, later.boots, later.pulses_us) == (frames.CHANNELS, 1, {0: 1500.0})


def test_a_cable_that_is_not_there() -> None:
    """There is no port, and nothing is sent."""
    line = SimulatedLine(DYNAMICS)
    line.plugged = False
    driver = SimulatedDriver(line)
    with pytest.raises(PortError, match='plug'):
        driver.open()
    with pytest.raises(LinkLostError):
        driver.set_pulses({0: 1500.0})
    assert isinstance(driver.release().exception(timeout=0), NotSentError)


@pytest.mark.parametrize('breaks', ['cut', 'off'])
def test_a_board_that_does_not_answer(breaks: str) -> None:
    """It is lost after a silence, and a release that was under way has failed then."""
    line, driver = opened()
    driver.set_pulses({0: 1500.0, 1: 1600.0})
    driver.enable([0])
    if breaks == 'cut':
        line.cut = True
    else:
        line.switch_off()
    release = driver.release()
    assert not release.done()
    while line.now < LOST_AFTER:
        line.advance(line.now + 0.1)
        assert driver.status().connected
    line.advance(line.now + 0.2)
    assert not driver.status().connected
    assert isinstance(release.exception(timeout=0), LinkLostError)


def test_a_release_is_sent_until_it_is_heard() -> None:
    """A short cut delays it and nothing else."""
    line, driver = opened()
    driver.set_pulses({0: 1500.0, 1: 1600.0})
    driver.enable([0])
    line.cut = True
    release = driver.release()
    line.advance(0.2)
    driver.status()
    assert not release.done()
    assert line.board is not None
    assert line.board.outputs_us == {0: 1500.0}
    line.cut = False
    driver.status()
    assert release.exception(timeout=0) is None
    assert line.board.outputs_us == {}


def test_a_board_that_restarted_is_not_taken_for_the_same() -> None:
    """The conversation ends when the count of boots has changed."""
    line, driver = opened()
    line.switch_off()
    line.switch_on()
    line.advance(0.3)
    driver.status()
    status = driver.status()
    assert not status.connected
    assert 'restarted' in status.last_error


@pytest.mark.parametrize(
    ('millivolts', 'volts'), [(7400, 7.4), (0, 0.0), (frames.NOT_MEASURED, None)]
)
def test_the_supply_is_told(millivolts: int, volts: float | None) -> None:
    """In volts, where it is measured."""
    line, driver = opened()
    line.set_supply(millivolts)
    line.advance(1.0)
    driver.status()
    assert driver.status().supply == volts


def linked(line: SimulatedLine) -> tuple[BoardLink, Callable[[float], None]]:
    """Keep the board by a link that nobody but the test steps."""
    link = BoardLink(
        BoardSpec('main', 'simulated', 'main'),
        LIMITS,
        SILENCE,
        new_driver=lambda _: SimulatedDriver(line),
        threads=False,
    )

    def run(seconds: float) -> None:
        for _ in range(round(seconds / 0.02)):
            line.advance(line.now + 0.02)
            link.step()
            link.set_pulses({0: 1500.0, 1: 1600.0})

    link.open()
    return link, run


def test_a_link_finds_its_board_again() -> None:
    """What was on stays on over a cut, and is known to have stayed on."""
    line = SimulatedLine(DYNAMICS)
    link, run = linked(line)
    run(0.1)
    link.enable([0, 1])
    run(0.1)
    assert link.status().enabled == {0, 1}
    line.cut = True
    run(0.6)
    assert link.status().state is LinkState.LOST
    line.cut = False
    run(REOPEN_EVERY + 0.04)
    status = link.status()
    assert status.state is LinkState.READY
    assert status.enabled == {0, 1}
    assert (status.let_go, status.reboots, status.losses) == (0, 0, 1)


def test_a_link_never_switches_on_what_went_off() -> None:
    """A board that restarted stays without pulses until somebody enables them."""
    line = SimulatedLine(DYNAMICS)
    link, run = linked(line)
    run(0.1)
    link.enable([0, 1])
    run(0.1)
    line.switch_off()
    run(0.1)
    line.switch_on()
    run(2.0)
    status = link.status()
    assert (status.state, status.enabled) == (LinkState.READY, frozenset())
    assert (status.let_go, status.reboots) == (1, 1)
    link.enable([0])
    run(0.1)
    assert link.status().enabled == {0}
