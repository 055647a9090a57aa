# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""All servo boards of a robot as one: what is asked of one of them is asked of all."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from leg_kinematics.board.driver import (
    BoardDriver,
    BoardIdentity,
    BoardSpec,
    SilenceAction,
    find_driver,
)
from leg_kinematics.board.link import BoardLink, LinkState, LinkStatus
from leg_kinematics.errors import BoardError

Output = tuple[str, int]
"""A servo output: name of the board, and channel."""


@dataclass(frozen=True)
class BoardsStatus:
    """All that is known of the boards at one instant.

    Attributes
    ----------
    links
        Status by name of the board.
    found_again
        Pulses in µs that boards put out when they were found, since the status before this one:
        what they have held while nobody could tell them anything.

    """

    links: Mapping[str, LinkStatus]
    found_again: Mapping[Output, float] = field(default_factory=dict)

    @property
    def enabled(self) -> frozenset[Output]:
        """Outputs with pulses on, as the boards confirmed last."""
        return frozenset(
            (name, channel) for name, link in self.links.items() for channel in link.enabled
        )

    @property
    def found(self) -> bool:
        """Whether there are boards, and each was found and configured since it was opened."""
        return bool(self.links) and all(link.identity for link in self.links.values())

    @property
    def lost(self) -> tuple[str, ...]:
        """Boards that poses do not get through to."""
        return tuple(n for n, link in self.links.items() if link.state is not LinkState.READY)

    @property
    def released(self) -> bool:
        """Whether a release is latched."""
        return any(link.released for link in self.links.values())

    @property
    def let_go(self) -> int:
        """Times that outputs lost their pulses without a release from us."""
        return sum(link.let_go for link in self.links.values())

    @property
    def low_supplies(self) -> Mapping[str, float | None]:
        """Boards whose supply is low, with its voltage in V."""
        return {
            name: link.board.supply for name, link in self.links.items() if link.board.low_voltage
        }


class Boards:
    """Keeps the boards of one robot alive. Every method may be called from any thread.

    Parameters
    ----------
    specs
        Name, driver and port of every board.
    limits
        Lowest and highest pulse of each output in use, µs.
    silence
        What every board does without us.
    store_limits
        Whether the boards, once found, shall store the limits.
    new_driver
        Makes a driver for a port; those of the specs' names unless given.
    threads
        Whether every board has a thread that looks after it; otherwise `step` does.

    Raises
    ------
    BoardError
        A driver is not installed.

    Attributes
    ----------
    silence
        What every board does without us.
    shortcomings
        What the boards cannot promise, by name, in words for the operator.

    """

    def __init__(
        self,
        specs: Sequence[BoardSpec],
        limits: Mapping[Output, tuple[float, float]],
        silence: SilenceAction,
        *,
        store_limits: bool = False,
        new_driver: Callable[[str], BoardDriver] | None = None,
        threads: bool = True,
    ) -> None:
        """Keep what the boards must be told; nothing is opened yet."""
        self._links = {
            spec.name: BoardLink(
                spec,
                {channel: ends for (name, channel), ends in limits.items() if name == spec.name},
                silence,
                store_limits=store_limits,
                new_driver=new_driver,
                threads=threads,
            )
            for spec in specs
        }
        self.silence = silence
        self.shortcomings: Mapping[str, tuple[str, ...]] = {
            spec.name: () if new_driver else find_driver(spec.driver).shortcomings for spec in specs
        }
        self._found: dict[str, BoardIdentity | None] = dict.fromkeys(self._links)

    def open(self) -> None:
        """Begin to keep every board alive. Never waits; the status tells how it goes."""
        for link in self._links.values():
            link.open()

    def step(self) -> None:
        """Look after every board once, where no thread does."""
        for link in self._links.values():
            link.step()

    def close(self) -> None:
        """Let go of the ports; the boards are left to their reaction to silence."""
        for link in self._links.values():
            link.close()

    def status(self) -> BoardsStatus:
        """Tell the latest that is known, and what was found since the last call. Never waits."""
        links = {name: link.status() for name, link in self._links.items()}
        found_again = {
            (name, channel): pulse_us
            for name, link in links.items()
            if link.identity is not None and link.identity is not self._found[name]
            for channel, pulse_us in link.identity.pulses_us.items()
        }
        self._found = {name: link.identity for name, link in links.items()}
        return BoardsStatus(links, found_again)

    def set_pulses(self, pulses_us: Mapping[Output, float], status: BoardsStatus) -> None:
        """Hand over the pulses in µs of all outputs in use. Never waits.

        Only boards that the status names as ready get them: one that has been found again since
        has its pulses in the next status, and must not be sent elsewhere before that.

        Raises
        ------
        CommandError
            An output that does not exist, or a pulse that is no pulse.

        """
        for name, link in self._links.items():
            if name not in status.lost:
                link.set_pulses(
                    {channel: p for (board, channel), p in pulses_us.items() if board == name}
                )

    def enable(self, outputs: Iterable[Output]) -> None:
        """Ask for pulses on these outputs; the status shows when they are on."""
        for name, channel in outputs:
            self._links[name].enable([channel])

    def release(self, patience: float = 0.0) -> None:
        """Stop all pulses now, and again whenever a board comes back, until `rearm`.

        Parameters
        ----------
        patience
            The longest to wait until all have confirmed it, s; the status then tells.

        """
        for link in self._links.values():
            link.release()
        for link in self._links.values():
            link.await_release(patience)

    def rearm(self) -> None:
        """End a release on all boards, or on none.

        Raises
        ------
        BoardError
            Some boards have not confirmed the release yet, perhaps because they are lost.

        """
        waiting = [name for name, link in self._links.items() if not link.may_rearm()]
        if waiting:
            raise BoardError(
                f'board {", ".join(waiting)} has not confirmed its release yet, and none is '
                'rearmed before all have; try again later'
            )
        for link in self._links.values():
            link.rearm()
