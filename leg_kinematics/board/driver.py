# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What every servo board has in common: the driver's interface and the values it speaks in.

A driver is found by its name through the entry point group ``leg_kinematics.boards``, so that a
board of somebody else's becomes usable by installing a package. Pulses are in microseconds and
channels are counted from 0; nothing here knows of joints.
"""

import enum
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field, fields
from importlib.metadata import entry_points
from typing import ClassVar, Protocol, Self, cast

from leg_kinematics.errors import BoardError

DRIVER_GROUP = 'leg_kinematics.boards'


class Reaction(enum.Enum):
    """What a board does when its host falls silent."""

    HOLD = 'hold'
    RELEASE = 'release'


@dataclass(frozen=True)
class SilenceAction:
    """How long a board waits for the next pose, and what it does then.

    Attributes
    ----------
    reaction
        Hold the last pulses, or stop all pulses.
    timeout
        Since the last accepted pose, s.

    """

    reaction: Reaction
    timeout: float


@dataclass(frozen=True)
class BoardIdentity:
    """What a board says about itself when it is found.

    Attributes
    ----------
    firmware
        Version of its program, such as ``1.0``.
    channels
        Number of servo outputs.
    boots
        Count of its starts; a different number means that it lost its state.
    boot_reason
        Why it started last.
    pulses_us
        The pulses of the channels that have them on at this moment, µs.
    limits
        Lowest and highest pulse in µs of each channel for which the board stores them, so that
        they outlast power-off; empty when there are none or the board cannot.
    silence
        What the board does without us at present, None when it cannot do anything.

    """

    firmware: str
    channels: int
    boots: int
    boot_reason: str
    pulses_us: Mapping[int, float]
    limits: Mapping[int, tuple[float, float]]
    silence: SilenceAction | None

    @property
    def enabled(self) -> frozenset[int]:
        """Channels with pulses on at this moment."""
        return frozenset(self.pulses_us)


@dataclass(frozen=True)
class Traffic:
    """Frames counted on our side of the line; a repeated frame counts again.

    Attributes
    ----------
    sent
        Frames written, the sum of the three below and of those still under way.
    acknowledged, refused, unanswered
        What became of them.
    bad
        Received byte runs that were no frame.

    """

    sent: int = 0
    acknowledged: int = 0
    refused: int = 0
    unanswered: int = 0
    bad: int = 0

    def __add__(self, other: Self) -> Self:
        """Add count by count."""
        return type(self)(
            *(getattr(self, field.name) + getattr(other, field.name) for field in fields(self))
        )


@dataclass(frozen=True)
class BoardStatus:
    """The latest that is known of a board, without asking it; by default nothing.

    Attributes
    ----------
    connected
        The port is open and the board has identified itself.
    enabled
        Channels with pulses on, as the board confirmed last.
    traffic
        Frames since the driver was opened.
    ack_latency
        From writing the last answered pose to reading its acknowledgement, s.
    bad_at_board
        Byte runs that the board could not read as frames.
    silences
        Times that the host was silent for too long, by the board's count.
    supply
        Servo supply in V, or None where the board does not measure it.
    low_voltage
        The supply has been below the board's own threshold for a while, or for most of a longer
        one. The board goes on.
    last_error
        The latest refusal or loss in words, empty when there was none.
    waiting
        For how long the board owes an answer, accepting or refusing, to a pose: since the oldest
        one that was sent after the last one answered, s. None when it owes none, while there is no
        conversation, and where boards of this kind do not answer poses.
    pose_us
        The last pose that the board has taken, µs by channel, as it puts it out where pulses are
        on: rounded to its steps. Where boards of this kind do not answer poses, the last one that
        was written. Empty before the first one, and where a driver does not tell.

    """

    connected: bool = False
    enabled: frozenset[int] = frozenset()
    traffic: Traffic = Traffic()
    ack_latency: float | None = None
    bad_at_board: int = 0
    silences: int = 0
    supply: float | None = None
    low_voltage: bool = False
    last_error: str = ''
    waiting: float | None = None
    pose_us: Mapping[int, float] = field(default_factory=dict)


class BoardDriver(Protocol):
    """One servo board at one port. Every method may be called from any thread.

    Attributes
    ----------
    shortcomings
        What boards of this kind cannot promise, each in words for the operator.

    """

    shortcomings: ClassVar[tuple[str, ...]]

    def __init__(self, port: str) -> None:
        """Name the port; nothing is opened yet."""

    def open(self) -> BoardIdentity:
        """Open the port and wait for the board to identify itself.

        Raises
        ------
        PortError
            The port is missing, busy or not ours to open.
        LinkLostError
            Nothing answers for a few seconds, or the line breaks meanwhile.
        BoardError
            The board speaks another version of the protocol.

        """

    def configure(
        self,
        limits: Mapping[int, tuple[float, float]],
        silence: SilenceAction,
        *,
        store: bool = False,
    ) -> None:
        """Set the pulse limits of each channel in µs and the reaction to silence; wait for it.

        Parameters
        ----------
        limits
            Lowest and highest pulse by channel, µs.
        silence
            What the board does without us.
        store
            Whether the board shall store them, in the place of what it has stored. Otherwise it
            keeps them until it is switched off.

        Raises
        ------
        CommandError
            A number that the board cannot be told.
        SettingsDifferError
            The board has stored other limits, and they are not to be replaced; nothing was set.
        RefusedError
            The board refuses a setting, or a release came in between.
        LinkLostError
            The line breaks meanwhile, or is so bad that not all of it was confirmed within a few
            seconds; says how far it came.

        """

    def enable(self, channels: Iterable[int]) -> None:
        """Switch pulses on, at what the last pose says; wait for the confirmation.

        Raises
        ------
        RefusedError
            No recent pose gave one of the channels a pulse, or a release came in between.
        LinkLostError
            The line breaks meanwhile.

        """

    def set_pulses(self, pulses_us: Mapping[int, float]) -> None:
        """Hand over one pose, every channel of the board at once. Never waits: latest wins.

        Raises
        ------
        CommandError
            A channel that does not exist, or a pulse that is no pulse.
        LinkLostError
            The line is broken.

        """

    def release(self) -> Future[None]:
        """Stop all pulses, ahead of everything else that waits to be sent. Never waits.

        It is sent before this returns, also while another thread waits in ``configure`` or
        ``enable``, which then raise RefusedError. It is sent again until the board confirms it.

        Returns
        -------
        Future
            What became of it, for whoever wants to know; nobody can cancel it. As long as it is not
            done, the release was sent and is not confirmed. It is done when the board has confirmed
            that all pulses are off. It fails with NotSentError where nothing could be sent, such as
            before the board has identified itself, and with LinkLostError where it was sent and
            the conversation ended before the board confirmed it. Callbacks run inside the driver
            and must not call it.

        """

    def status(self) -> BoardStatus:
        """Tell the latest that is known. Never waits."""

    def close(self) -> None:
        """Close the port; the board is left to its reaction to silence."""


@dataclass(frozen=True)
class BoardSpec:
    """Which board is meant, as a user writes it: ``NAME=DRIVER:PORT``."""

    name: str
    driver: str
    port: str

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read ``NAME=DRIVER:PORT``, such as ``main=framed:/dev/ttyUSB0``.

        Raises
        ------
        BoardError
            A part is missing.

        """
        name, equals, rest = text.partition('=')
        driver, colon, port = rest.partition(':')
        if not (equals and colon and name and driver and port):
            msg = (
                f'board {text!r} is not of the form NAME=DRIVER:PORT; '
                f'write it like main=framed:/dev/ttyUSB0'
            )
            raise BoardError(msg)
        return cls(name, driver, port)

    def __str__(self) -> str:
        """Write it as a user does."""
        return f'{self.name}={self.driver}:{self.port}'


def boards_not_given(given: Sequence[str], needed: Sequence[str]) -> list[str]:
    """List the boards that are needed, but that no ``NAME=DRIVER:PORT`` gives.

    Raises
    ------
    BoardError
        What is given is not of that form.

    """
    names = {BoardSpec.parse(text).name for text in given}
    return [name for name in needed if name not in names]


def find_driver(name: str) -> type[BoardDriver]:
    """Find an installed driver by its name.

    Raises
    ------
    BoardError
        No installed package offers it.

    """
    offers = entry_points(group=DRIVER_GROUP)
    for offer in offers:
        if offer.name == name:
            return cast('type[BoardDriver]', offer.load())
    known = ', '.join(sorted(offers.names)) or 'none'
    msg = f'no driver named {name!r} for servo boards is installed (installed: {known})'
    raise BoardError(msg)
