# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The whole chain on the shipped firmware: judged by the edges at the pins of a simulated chip."""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pytest

from leg_kinematics.board import Record, frames
from leg_kinematics.commands.chain import Chain
from leg_kinematics.commands.operator import Operator
from leg_kinematics.commands.run_report import Walk, foot_errors
from leg_kinematics.gait import Twist

if TYPE_CHECKING:
    from test.simulated_chip import ChipProcess, Pulse

WORST_FOOT_ERROR = 0.5e-3
"""m, as on the mock."""
ACCURACY_US = 2.0
"""Of a pulse, as the firmware's own tests have it."""
BLUR = 0.3e-3
"""m that half a microsecond in each joint of a leg moves its foot at most."""
FRAME = 0.020
"""s between the pulses of a channel."""
TAKEN_IN = 0.005
"""s that the line and the firmware need for the poses that a busy machine delivers at once."""
ALL = 2**frames.CHANNELS - 1


def put_out(pulses: 'Sequence[Pulse]') -> list[Record]:
    """Give the frames that have pulses of all channels, each as a pose at its begin."""
    poses = []
    frame: dict[int, float] = {}
    begin = 0.0
    for pulse in sorted(pulses, key=lambda pulse: pulse.start):
        if not frame or pulse.channel // 6 < max(frame) // 6:  # six at a time, in this order
            frame, begin = {}, pulse.start
        frame[pulse.channel] = pulse.width_us
        if len(frame) == frames.CHANNELS:
            poses.append(Record(begin, 'pose', None, ALL, dict(frame)))
    return poses


def test_the_firmware_walks(
    chip_process: 'ChipProcess',
    start_chain: Callable[..., tuple[Chain, Operator]],
    walk_of: Callable[[Operator, Sequence[Record]], Walk],
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Its pulses put every foot where the gait wants it, as exactly as the mock is told to."""
    _, operator = start_chain(board=chip_process.port)
    operator.bring_up()
    operator.stand()
    operator.drive(Twist(x=0.08), 2.5, 'walking forward')
    operator.drive(Twist(x=0.05, y=0.03, yaw=-0.3), 2.5, 'walking an arc')
    operator.drive(Twist(), 1.0, 'stopping')
    operator.wait_for('gait', 'standing')
    operator.values.clear()
    operator.spin(lambda: 'bridge' in operator.values, 'a last status')
    values = operator.values['bridge']

    told = [
        Record(time, 'pose', frame.seq, ALL, dict(enumerate(frame.message.pulses_us)))
        for time, frame in chip_process.heard()
        if isinstance(frame.message, frames.Pose)
    ]
    shown = put_out(chip_process.pulses())
    assert len(shown) > 250

    # Each frame is one pose: the latest when it began, or one of a few still being taken in then.
    times = np.array([record.time for record in told])
    poses = np.array([[record.pulses_us[c] for c in range(18)] for record in told])
    widths = np.array([[record.pulses_us[c] for c in range(18)] for record in shown])
    begins = np.array([record.time for record in shown])
    first = np.searchsorted(times, begins - TAKEN_IN) - 1
    last = np.searchsorted(times, begins)
    errors = [
        np.abs(poses[i:j] - row).max(axis=1).min()
        for i, j, row in zip(first, last, widths, strict=True)
    ]
    assert max(errors) <= ACCURACY_US

    walks = {'told': walk_of(operator, told), 'put out': walk_of(operator, shown)}
    found = {name: foot_errors(walk) for name, walk in walks.items()}
    # What a pulse every 20 ms adds: a foot stays for that long where the stream was.
    walk = walks['put out']
    held = np.linalg.norm(np.diff(walk.told_feet, axis=0), axis=2)
    held = held[np.diff(walk.pose_times) < 1.5 * FRAME]
    with capsys.disabled():
        print('\nwalking on the firmware:')  # noqa: T201
        for name, error in found.items():
            p50, p99 = np.percentile(error.latencies * 1e3, [50, 99])
            print(  # noqa: T201
                f'  {name}: {len(error.errors)} poses, worst foot error '
                f'{error.errors.max() * 1e3:.3f} mm, p50 {p50:.1f} and p99 {p99:.1f} ms late'
            )
        print(  # noqa: T201
            f'  a pulse differs from its pose by {max(errors):.2f} us at most; '
            f'a foot steps by up to {held.max() * 1e3:.1f} mm from frame to frame'
        )
    # What a machine too busy to keep up has told it wrongly is not its fault.
    worst = max(WORST_FOOT_ERROR, found['told'].errors.max() + BLUR)
    assert found['put out'].errors.max() < worst
    assert values['main.refused'] == '0'
    assert values['main.losses'] == '0'
