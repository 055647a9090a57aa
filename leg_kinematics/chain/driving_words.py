# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How the bridge is, in words: what it tells of itself, and answers to orders."""

from collections.abc import Sequence
from dataclasses import dataclass

from leg_kinematics.board import BoardsStatus, Reaction, SilenceAction
from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import LAGGING, Condition, Level

ENDS_RELEASE = 'bridge/rearm'

LOW_VOLTAGE_REMEDY = (
    'before the robot sags and falls call gait/crouch, then bridge/release, switch off, and charge '
    'the battery; if it is full, the wires or the supply are too weak'
)


@dataclass(frozen=True, slots=True)
class DrivingSituation:
    """All that there is to be told of a bridge at an instant.

    Attributes
    ----------
    state
        Who has power.
    reason
        What took it away last; empty where nothing did.
    status
        Of the boards.
    configured, active
        By the life cycle of the node.
    taken_over
        Whether all boards were found since then.
    blocked
        Why nothing is sent; empty where poses are.
    refusal
        Why the latest targets were refused; empty where they were not.
    supply_gone
        Whether the servos have no supply.
    begun, legs
        Legs that were asked to be enabled, and that there are.
    lag
        How far the joints are behind their stream, rad.
    cut_off
        Whether a stream fell silent in motion.

    """

    state: PowerState
    reason: str
    status: BoardsStatus
    configured: bool
    active: bool
    taken_over: bool
    blocked: str
    refusal: str
    supply_gone: bool
    begun: int
    legs: int
    lag: float
    cut_off: bool


def condition_of(bridge: DrivingSituation) -> Condition:
    """Say how the bridge is."""
    if bridge.blocked:
        return Condition(Level.ERROR, 'blocked', bridge.blocked)
    if bridge.state is PowerState.RELEASED:
        return Condition(
            Level.WARN,
            f'released until {ENDS_RELEASE}',
            f'{bridge.reason}; {release_in_words(bridge.status)}',
        )
    if not bridge.configured:
        return Condition(Level.OK, 'unconfigured')
    if not bridge.taken_over:
        return Condition(Level.WARN, 'waiting for boards', missing_boards(bridge.status))
    return _trouble(bridge) or _condition_of_power(bridge)


def _trouble(bridge: DrivingSituation) -> Condition | None:
    """Say what is wrong while the robot has power."""
    if bridge.state is PowerState.LOST:
        lost = f'lost board {", ".join(bridge.status.lost)}'
        return Condition(Level.ERROR, lost, 'holding, trying to reopen')
    if bridge.refusal:
        return Condition(Level.ERROR, 'refused', bridge.refusal)
    if low := bridge.status.low_supplies:
        volts = [f'{supply:.1f} V' for supply in low.values() if supply is not None]
        return Condition(
            Level.WARN,
            f'low supply voltage of board {", ".join(low)}',
            '; '.join([*volts, LOW_VOLTAGE_REMEDY]),
        )
    return None


def _condition_of_power(bridge: DrivingSituation) -> Condition:
    match bridge.state:
        case PowerState.UNPOWERED:
            return Condition(Level.OK, 'inactive', 'no servo has pulses')
        case PowerState.ENABLING:
            return Condition(Level.OK, 'enabling legs', f'{bridge.begun} of {bridge.legs}')
        case PowerState.HOLDING if bridge.active:
            return Condition(
                Level.WARN,
                f'holding until {ENDS_RELEASE}',
                bridge.reason or 'not every leg has its pulses',
            )
        case PowerState.HOLDING:
            return Condition(Level.OK, 'inactive', 'holding, pulses on')
        case _:
            return _condition_of_following(bridge)


def _condition_of_following(bridge: DrivingSituation) -> Condition:
    if bridge.lag > LAGGING:
        return Condition(
            Level.WARN,
            'active, and behind its stream',
            f'by {bridge.lag:.2f} rad, more than {LAGGING:g} rad',
        )
    if bridge.cut_off:
        return Condition(Level.WARN, 'joint_trajectory fell silent in motion', 'holding')
    return Condition(Level.OK, 'active')


def refusal_to_rearm(bridge: DrivingSituation) -> str:
    """Say why power cannot be given again; empty where it can be."""
    if not bridge.configured:
        return 'no board is open: configure and activate the bridge first'
    if not bridge.active:
        return 'the bridge is not active: activate it first'
    if not bridge.status.found:
        return missing_boards(bridge.status)
    if lost := bridge.status.lost:
        return f'board {", ".join(lost)} cannot be reached yet; rearm when it can be'
    if bridge.supply_gone:
        return 'the supply of the servos is gone: switch it on first'
    return bridge.blocked


def release_in_words(status: BoardsStatus) -> str:
    """Say of every board how far a release has come."""
    words = []
    for name, link in status.links.items():
        if link.release_confirmed:
            words.append(f'board {name} has confirmed that its pulses are off')
        elif link.release_sent:
            words.append(f'board {name} was told and has not confirmed it yet')
        else:
            words.append(
                f'board {name} COULD NOT BE TOLD and may hold its servos '
                f'({link.last_error or "being opened"}); it is tried again: use the switch'
            )
    return '; '.join(words) or 'no board is open'


def left_in_words(on: str, silence: SilenceAction) -> str:
    """Say what becomes of servos or legs whose pulses go on when nobody speaks to the boards."""
    if silence.reaction is Reaction.RELEASE:
        return f'{on}: the board stops the pulses after {silence.timeout:g} s'
    return f'{on}: STILL POWERED, the board holds'


def pulses_beyond_maps(joints: Sequence[str]) -> str:
    """Say that servos stand where their maps have no angle."""
    return (
        f'servos have pulses for which their maps have no angle: {", ".join(joints)}. Nothing is '
        'sent: release them, or use the maps that belong to this robot'
    )


def missing_boards(status: BoardsStatus) -> str:
    """Say which boards were not found yet, and why."""
    missing = [
        f'board {name}: {link.last_error or "being opened"}'
        for name, link in status.links.items()
        if link.identity is None
    ]
    return '; '.join(missing) or 'the boards are being opened'
