# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What is known of the stages and their boards, for diagnostics and the log."""

from collections.abc import Mapping, Sequence

from leg_kinematics.board import BoardIdentity, LinkStatus
from leg_kinematics.chain.driving import Driving
from leg_kinematics.chain.ticks import Ticks
from leg_kinematics.chain.walking import Walking


def gait_values(leg_names: Sequence[str], stage: Walking) -> dict[str, object]:
    """Values for diagnostics of the walk."""
    values: dict[str, object] = {
        'ticks': stage.ticks,
        'missed_ticks': stage.missed,
        'refused_commands': stage.refused,
    }
    sample = stage.sample
    if sample is not None:
        missed = zip(leg_names, sample.missed, strict=True)
        values |= {
            'doing': str(sample.state),
            'phase': '' if sample.phase is None else f'{sample.phase:.3f}',
            'duty_factor': f'{sample.duty_factor:.4f}',
            'feet_down': sum(sample.standing),
            'margin': f'{sample.margin:.4f} m',
            'limit': sample.limit,
            'no_ground': ' '.join(name for name, in_vain in missed if in_vain),
        }
    return values


def bridge_values(
    stage: Driving, ticks: Ticks, shortcomings: Mapping[str, Sequence[str]]
) -> dict[str, object]:
    """Values for diagnostics of what drives the servos, and of its boards."""
    report = stage.report()
    values: dict[str, object] = {
        'power': report.state.value,
        'losses_of_power': report.losses,
        'lag_rad': f'{report.lag:.4f}',
        'ticks': ticks.count,
        'missed_ticks': ticks.missed,
        'refused': stage.refused,
    }
    for name, link in stage.status.links.items():
        values |= _board_values(name, link, shortcomings[name])
    return values


def _board_values(name: str, link: LinkStatus, shortcomings: Sequence[str]) -> dict[str, object]:
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
