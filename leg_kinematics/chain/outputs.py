# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The servo outputs that drive the joints: angles to pulses, and back for pulses that are found."""

from collections import deque
from collections.abc import Iterable, Mapping, Sequence

from leg_kinematics.board import Output
from leg_kinematics.calibration import ServoMap
from leg_kinematics.errors import MapRangeError

#: So many of the poses that were sent are remembered, so that one of them can be recognised.
REMEMBERED_POSES = 512

#: A pulse is that of a pose if it differs by no more, µs: the line rounds, and so do boards.
SAME_PULSE_US = 1.0


def output_of(servo_map: ServoMap) -> Output:
    """Servo output that a joint is driven by."""
    return servo_map.board, servo_map.channel


def pulse_limits(maps: Iterable[ServoMap]) -> dict[Output, tuple[float, float]]:
    """Lowest and highest pulse of every output that the maps use, µs."""
    return {output_of(each): (each.lowest_us, each.highest_us) for each in maps}


class ServoOutputs:
    """The outputs of a robot, in the order of its joints.

    Parameters
    ----------
    maps
        Of all joints.

    Attributes
    ----------
    names
        Board and channel of each joint.
    ranges
        Lowest and highest angle of each joint, rad.

    """

    def __init__(self, maps: Sequence[ServoMap]) -> None:
        """Begin with nothing sent."""
        self._maps = tuple(maps)
        self._by_joint = {each.joint: each for each in self._maps}
        self.names = tuple(output_of(each) for each in self._maps)
        self.ranges = tuple(each.angle_range for each in self._maps)
        self._sent: deque[tuple[int | None, tuple[float, ...]]] = deque(maxlen=REMEMBERED_POSES)

    def check(self, joints: Iterable[str], angles: Iterable[tuple[float, float]]) -> None:
        """Raise MapRangeError where a lowest or a highest angle of a joint has no pulse, rad."""
        for joint, (lowest, highest) in zip(joints, angles, strict=True):
            each = self._by_joint[joint]
            low, high = each.angle_range
            if not low <= lowest <= highest <= high:
                each.pulse_us(lowest)
                each.pulse_us(highest)

    def pulses(self, angles: Sequence[float], stamp: int | None) -> Mapping[Output, float]:
        """Pulses of joint angles, rad, in µs; remembered as sent for an instant of a stream, ns."""
        pulses = tuple(each.pulse_us(angle) for each, angle in zip(self._maps, angles, strict=True))
        self._sent.append((stamp, pulses))
        return dict(zip(self.names, pulses, strict=True))

    def sent_as(self, found: Mapping[Output, float]) -> tuple[bool, int | None]:
        """Tell whether pulses that a board puts out, µs, are a pose that was sent, and its instant.

        The latest such pose counts.
        """
        for stamp, pulses in reversed(self._sent):
            if all(
                abs(found[output] - pulse) <= SAME_PULSE_US
                for output, pulse in zip(self.names, pulses, strict=True)
                if output in found
            ):
                return True, stamp
        return False, None

    def angles(
        self, found: Mapping[Output, float], otherwise: Sequence[float]
    ) -> tuple[list[float], list[str]]:
        """Joint angles at pulses that were found.

        Parameters
        ----------
        found
            Pulses of some outputs, µs.
        otherwise
            Angles of joints that are not found, or whose map has no angle for their pulse, rad.

        Returns
        -------
        tuple of list
            Angles, rad; and in words the joints whose maps have no angle.

        """
        angles, beyond = [], []
        for each, output, angle in zip(self._maps, self.names, otherwise, strict=True):
            try:
                known = output in found
                angles.append(_angle_within(each, found[output]) if known else angle)
            except MapRangeError:
                beyond.append(f'{each.joint} at {found[output]:g} us')
                angles.append(angle)
        return angles, beyond


def _angle_within(servo_map: ServoMap, pulse_us: float) -> float:
    """Joint angle at a pulse, rad; the end of the range for one that rounding put beyond it.

    Raises
    ------
    MapRangeError
        The pulse is farther beyond.

    """
    nearest = min(max(pulse_us, servo_map.lowest_us), servo_map.highest_us)
    lowest, highest = servo_map.curve.pulse_span_us
    nearest = min(max(nearest, lowest), highest)
    if abs(nearest - pulse_us) > SAME_PULSE_US:
        raise MapRangeError(f'{servo_map.joint}: no angle at {pulse_us:g} us')
    low, high = servo_map.angle_range
    return min(max(servo_map.angle(nearest), low), high)
