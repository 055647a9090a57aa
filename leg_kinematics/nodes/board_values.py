# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What is known of a servo board, for diagnostics and the log."""

from collections.abc import Sequence

from leg_kinematics.board import BoardIdentity, LinkStatus


def board_values(name: str, link: LinkStatus, shortcomings: Sequence[str]) -> dict[str, object]:
    """Values for diagnostics, each with the name of the board in front."""
    board, traffic, identity = link.board, link.traffic, link.identity
    values: dict[str, object] = {
        'state': link.state.value,
        # Hobby servos do not tell where they are.
        'positions': 'commanded',
        'firmware': identity.firmware if identity else None,
        'boots': identity.boots if identity else None,
        'sent': traffic.sent,
        'acknowledged': traffic.acknowledged,
        'refused': traffic.refused,
        'unanswered': traffic.unanswered,
        'bad_frames': traffic.bad + board.bad_at_board,
        'losses': link.losses,
        'reboots': link.reboots,
        'silences': board.silences,
        'ack_latency_s': board.ack_latency,
        'supply_v': board.supply,
        'low_voltage': board.low_voltage,
        'last_error': link.last_error,
    }
    if shortcomings:
        values['cannot_promise'] = '; '.join(shortcomings)
    return {f'{name}.{key}': value for key, value in values.items()}


def identity_in_words(identity: BoardIdentity) -> str:
    """Say what was found on a port."""
    pulses = f'{len(identity.enabled)} of {identity.channels} channels have pulses on'
    limits = f'limits of {len(identity.limits)} stored'
    return (
        f'firmware {identity.firmware}, start {identity.boots} ({identity.boot_reason}), {pulses}, '
        f'{limits}'
    )
