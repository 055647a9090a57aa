# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What a page is told of a design, put together by hand: something of each kind."""

import struct
import zlib
from base64 import b64encode

from leg_kinematics.view.messages import (
    Doubt,
    Doubts,
    Finding,
    Former,
    NotAsked,
    Picture,
    Pictures,
    Report,
    Wrong,
)

DOUBTS = Doubts(
    (Doubt('robot.yaml:65: legs.left_front.mount: fastened on the opposite side', 'see y'),),
    ('right_rear',),
    ('left_front', 'right_rear'),
)

REPORT = Report(
    'fail',
    (
        Finding(
            'reach',
            'margin standing',
            '97 mm',
            '≥ 15 (3)',
            'pass',
            'left_front',
            '',
            (),
            Former('91 mm', 'pass', 'better'),
        ),
        Finding(
            'stall torque used',
            'walking, at 0.50',
            '92 %',
            '≤ 75 (90)',
            'fail',
            'left_middle_femur, forward',
            'stronger servos, less mass',
            ('coxa 21 mm longer',),
            Former('49.6 %', 'pass', 'worse'),
        ),
        Finding(
            'support margin',
            'duty factor 0.50',
            '12 mm',
            '≥ 15 (5)',
            'tight',
            '',
            'a wave',
            (),
            None,
        ),
        *(
            Finding(
                'pulse range left', f'joint {n}', '400 µs', '≥ 50 (5)', 'pass', '', '', (), None
            )
            for n in range(12)
        ),
    ),
    ('battery: camera and losses are not counted',),
    (NotAsked(('fastest walk', 'torque of a walk'), 'four feet carry it'),),
    'After each value stands what it takes to pass.',
    whole=True,
)

WRONG = Wrong("robot.yaml:49: links.femur.length: '68 kg' does not fit; expected a length")


def png(width: int, height: int) -> str:
    """Write a grey picture (ISO/IEC 15948, PNG), in base64."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack('>I', len(data)) + kind + data + struct.pack('>I', zlib.crc32(kind + data))
        )

    header = struct.pack('>IIBBBBB', width, height, 8, 0, 0, 0, 0)
    rows = zlib.compress((b'\0' + b'\x80' * width) * height)
    whole = b'\x89PNG\r\n\x1a\n' + chunk(b'IHDR', header) + chunk(b'IDAT', rows)
    return b64encode(whole + chunk(b'IEND', b'')).decode('ascii')


PICTURES = Pictures((Picture('The robot as it stands', 'From three sides.', png(1430, 900)),))
