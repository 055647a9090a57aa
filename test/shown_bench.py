# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Questions at the bench, for tests of the page."""

from leg_kinematics.chain.values import Level
from leg_kinematics.view.messages import Asked, Entry, Lead, Offered


def power(words: str = '', number: int = 1) -> Asked:
    """Ask whether a servo shall get pulses."""
    return Asked(
        number,
        'left_front_coxa',
        'This servo gets its first pulse. Keep hands away.',
        (Offered('enter', 'give it pulses'), Offered('u', 'undo the last step')),
        None,
        words,
        Level.OK,
        'no servo has pulses',
        'On the mock the protractor shows 1.0 deg.',
        'left_front_coxa',
    )


def angle(number: int = 2) -> Asked:
    """Ask for an angle."""
    return Asked(
        number,
        'left_front_coxa: angle',
        'The servo stands at 1500 us.',
        (Offered('x', 'pulses off now'), Offered('k', 'skip this joint')),
        Entry('angle, deg', '-.0123456789 ', 8),
        '',
        Level.WARN,
        'at rest',
        '',
        'left_front_coxa',
    )


LEADING = Lead(leading=True, free=False, words='')
NOBODY = Lead(leading=False, free=True, words='')
