# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Who has power and who may move: one state machine, and this file is all of it.

Whatever takes power away ends in `RELEASED`, or in `HOLDING` where other servos keep theirs. From
there only `rearm` gives power again, and the count of losses has grown: whoever walked the robot
sees by it that the robot is not the one that it walked, even if all it ever hears is the last
value. A line that was cut while the board kept its pulses is no loss of power.
"""

import enum
from collections.abc import Mapping
from dataclasses import dataclass


class PowerState(enum.StrEnum):
    """Who has power, and who may move."""

    UNPOWERED = 'unpowered'
    """No servo has had pulses, as far as is known."""
    RELEASED = 'released'
    """All pulses are off, or being switched off, until `rearm`, whatever the life cycle does."""
    ENABLING = 'enabling'
    """Leg after leg gets its pulses, at rest."""
    FOLLOWING = 'following'
    """Every leg has its pulses, and the joints follow what is sent."""
    HOLDING = 'holding'
    """Servos that have pulses keep them, and nothing is followed."""
    LOST = 'lost'
    """A board with powered servos cannot be reached: nothing is followed."""


class Event(enum.StrEnum):
    """What may happen to the power of a robot."""

    ACTIVATE = 'activate'
    DEACTIVATE = 'deactivate'
    CLEANUP = 'cleanup'
    RELEASE = 'release'
    REARM = 'rearm'
    FOUND_ON = 'found on'
    """Servos had their pulses already when their boards were found for the first time."""
    ALL_ON = 'all on'
    """Every leg has its pulses, and the bridge is active."""
    SOME_OFF = 'some off'
    """Pulses went off without an order, and others are still on."""
    ALL_OFF = 'all off'
    """All pulses went off without an order, or the supply of the servos is gone."""
    MOVED = 'moved'
    """Servos were found again where nobody here had sent them."""
    LINE_LOST = 'line lost'
    LINE_BACK = 'line back'
    """Every board is reached again, and none has lost a pulse."""


S, E = PowerState, Event

#: What every event leads to. Where there is no entry, nothing changes.
TABLE: Mapping[PowerState, Mapping[Event, PowerState]] = {
    S.UNPOWERED: {
        E.ACTIVATE: S.ENABLING,
        E.RELEASE: S.RELEASED,
        E.FOUND_ON: S.HOLDING,
        E.ALL_OFF: S.RELEASED,
    },
    S.RELEASED: {
        E.REARM: S.ENABLING,
        E.RELEASE: S.RELEASED,
    },
    S.ENABLING: {
        E.ALL_ON: S.FOLLOWING,
        E.DEACTIVATE: S.HOLDING,
        E.CLEANUP: S.RELEASED,
        E.RELEASE: S.RELEASED,
        E.SOME_OFF: S.HOLDING,
        E.ALL_OFF: S.RELEASED,
        E.LINE_LOST: S.LOST,
    },
    S.FOLLOWING: {
        E.DEACTIVATE: S.HOLDING,
        E.CLEANUP: S.RELEASED,
        E.RELEASE: S.RELEASED,
        E.SOME_OFF: S.HOLDING,
        E.ALL_OFF: S.RELEASED,
        E.LINE_LOST: S.LOST,
    },
    S.HOLDING: {
        E.ALL_ON: S.FOLLOWING,
        E.REARM: S.ENABLING,
        E.CLEANUP: S.RELEASED,
        E.RELEASE: S.RELEASED,
        E.SOME_OFF: S.HOLDING,
        E.ALL_OFF: S.RELEASED,
        E.LINE_LOST: S.LOST,
    },
    S.LOST: {
        E.LINE_BACK: S.HOLDING,
        E.CLEANUP: S.RELEASED,
        E.RELEASE: S.RELEASED,
        E.SOME_OFF: S.LOST,
        E.MOVED: S.LOST,
        E.ALL_OFF: S.RELEASED,
    },
}

#: What takes power away, or says that it was taken.
LOSSES = frozenset({E.CLEANUP, E.RELEASE, E.SOME_OFF, E.ALL_OFF, E.MOVED})

#: Why an order changes nothing, in words; what is not listed is obeyed, or means nothing new.
REFUSALS: Mapping[tuple[PowerState, Event], str] = {
    (S.UNPOWERED, E.REARM): 'nothing is released; the bridge has to be activated',
    (S.ENABLING, E.REARM): 'nothing is released: the legs are being enabled',
    (S.FOLLOWING, E.REARM): 'nothing is released: every leg has its pulses',
    (S.LOST, E.REARM): 'a board cannot be reached; rearm when it can be',
}


@dataclass
class Power:
    """The state of power, and how often it was lost.

    Attributes
    ----------
    state
        Changed by `happen` alone.
    losses
        Times that power was taken away, by an order or without one.
    reason
        What took it away last, in words; empty before that and when the robot is rearmed.

    """

    state: PowerState = PowerState.UNPOWERED
    losses: int = 0
    reason: str = ''

    def happen(self, event: Event, reason: str = '') -> bool:
        """Go where an event leads; tell whether it leads anywhere.

        Parameters
        ----------
        event
            What has happened.
        reason
            In words, for what takes power away.

        """
        state = TABLE[self.state].get(event)
        if state is None:
            return False
        if event in LOSSES:
            self.losses += 1
            self.reason = reason
        elif event is Event.REARM:
            self.reason = ''
        self.state = state
        return True

    def refusal(self, event: Event) -> str:
        """Why an order would change nothing in this state; empty where it would be obeyed."""
        return REFUSALS.get((self.state, event), '')
