# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The robot on the mock boards: its true servos, lengths and mounts, of which nobody is told.

What can be seen of it are the angles of its joints, as a protractor shows them, and where its feet
are, as a ruler on the printed grid does. It is drawn once and kept in a file beside the servo maps,
so that every command meets the same robot, whatever the maps have become meanwhile.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from math import degrees, radians
from pathlib import Path
from random import Random
from typing import Any, Self

from leg_kinematics.board.simulated.true_servo import MIDDLE_US, TrueServo
from leg_kinematics.calibration import ServoMap
from leg_kinematics.calibration.joint_notes import JointTask
from leg_kinematics.commands.options.files import WrongFileError
from leg_kinematics.robot import Leg, Mount, Robot, Vector
from leg_kinematics.solver import LegGeometry, MountTransform, forward

#: Of copies that take what is measured on the mock.
MARK = '.mock'

#: The stops of a drawn servo lie so far beyond the pulses of its map, µs.
BEYOND_MAP_US = 30.0


@dataclass(frozen=True)
class TrueLeg:
    """A leg as it was really printed and screwed on.

    Attributes
    ----------
    lengths
        Of coxa, femur and tibia, m.
    position
        Of the mount in `base_link`, m.
    rpy
        Of the mount: fixed-axis roll, pitch and yaw, rad.

    """

    lengths: Vector
    position: Vector
    rpy: Vector

    @classmethod
    def draw(cls, leg: Leg, chance: Random) -> Self:
        """Draw what comes of a printer and a drill, near to what is described.

        The spans are those of parts made at home, by common practice, no source: lengths within
        2 mm, mounts within 1 mm and 2 deg.
        """
        c, f, t = (link.length + chance.uniform(-2e-3, 2e-3) for link in leg.links)
        x, y, z = (each + chance.uniform(-1e-3, 1e-3) for each in leg.mount.position)
        span = radians(2.0)
        roll, pitch, yaw = (each + chance.uniform(-span, span) for each in leg.mount.rpy)
        return cls((c, f, t), (x, y, z), (roll, pitch, yaw))

    def foot(self, angles: Vector) -> Vector:
        """Place the foot in `base_link`, m, at angles in rad."""
        mount = MountTransform.of(Mount(self.position, self.rpy))
        return mount.to_body(forward(LegGeometry(*self.lengths), angles))


@dataclass(frozen=True)
class TrueRobot:
    """What is true of a robot.

    Attributes
    ----------
    servos
        By joint.
    legs
        By name.

    """

    servos: Mapping[str, TrueServo]
    legs: Mapping[str, TrueLeg]

    @classmethod
    def at(
        cls,
        file: Path,
        robot: Robot,
        joints: Iterable[JointTask],
        maps: Mapping[str, ServoMap] | None = None,
    ) -> Self:
        """Read the truth, and draw and keep what it does not tell yet.

        Parameters
        ----------
        file
            Where it is kept.
        robot
            The description, near to which the legs are drawn.
        joints
            Those that have servos. A servo is drawn as one out of the bag, its horn near to where
            it is best fitted.
        maps
            Near to which servos are drawn instead, by joint.

        Raises
        ------
        WrongFileError
            The file is something else.

        """
        known = _read(file)
        near = maps or {}
        servos = dict(known.servos)
        for task in joints:
            if task.joint not in servos:
                servos[task.joint] = (
                    _near(near[task.joint]) if task.joint in near else _out_of_the_bag(task)
                )
        legs = dict(known.legs)
        for leg in robot.legs:
            if leg.name not in legs:
                legs[leg.name] = TrueLeg.draw(leg, Random(leg.name))
        if (servos, legs) != (known.servos, known.legs):
            content = {
                'servos': {joint: asdict(each) for joint, each in servos.items()},
                'legs': {name: asdict(each) for name, each in legs.items()},
            }
            fresh = file.with_name(f'{file.name}.new')
            fresh.write_text(json.dumps(content, indent=1), encoding='utf-8')
            fresh.replace(file)
        return cls(servos, legs)


def mock_copy(maps: Path) -> Path:
    """Name the file that takes what is measured on the mock in the place of servo maps."""
    return maps if maps.stem.endswith(MARK) else maps.with_suffix(f'{MARK}{maps.suffix}')


def truth_beside(maps: Path) -> Path:
    """Name the file of the robot on the mock, beside servo maps or their mock copy."""
    return mock_copy(maps).with_suffix('.robot.json')


def ground_frame(robot: Robot, placement: int) -> MountTransform:
    """Where table and printed grid really lie, in `base_link`, once the robot stands on its block.

    They should lie under its origin, at the height at which it stands; they do within 10 mm, and
    not quite level: 1.5 deg turned and 0.5 deg tilted, by common practice, no source.
    """
    chance = Random(f'{robot.name} {placement}')
    x, y = (chance.uniform(-10e-3, 10e-3) for _ in range(2))
    z = chance.uniform(-5e-3, 5e-3) - robot.standing.height
    roll, pitch = (radians(chance.uniform(-0.5, 0.5)) for _ in range(2))
    yaw = radians(chance.uniform(-1.5, 1.5))
    return MountTransform.of(Mount((x, y, z), (roll, pitch, yaw)))


def _read(file: Path) -> TrueRobot:
    if not file.exists():
        return TrueRobot({}, {})
    try:
        content = json.loads(file.read_text(encoding='utf-8'))
        return TrueRobot(
            {joint: TrueServo(**_tupled(each)) for joint, each in content['servos'].items()},
            {name: TrueLeg(**_tupled(each)) for name, each in content['legs'].items()},
        )
    except (ValueError, TypeError, LookupError, AttributeError) as error:
        raise WrongFileError(
            f'{file} does not tell what the robot on the mock is like ({error!r}); delete it to '
            'have another one drawn'
        ) from error


def _tupled(entry: Mapping[str, Any]) -> dict[str, Any]:
    """Give the lists of JSON back as tuples."""
    return {key: tuple(value) if isinstance(value, list) else value for key, value in entry.items()}


def _out_of_the_bag(task: JointTask) -> TrueServo:
    drawn = TrueServo.draw(task.output[1], Random(task.joint))
    # A tooth beside where it was wanted, not somewhere.
    return replace(drawn, horn_offset=degrees(task.fitting.angle) + 0.3 * drawn.horn_offset)


def _near(servo_map: ServoMap) -> TrueServo:
    """Draw a servo that its map is somewhat wrong about: feet are some 20 mm aside."""
    chance = Random(servo_map.joint)
    lowest, highest = servo_map.curve.pulse_span_us
    ends = (max(lowest, servo_map.lowest_us), min(highest, servo_map.highest_us))
    low, high = (degrees(servo_map.angle(each)) for each in ends)
    gain = (ends[1] - ends[0]) / (high - low)
    at_middle = low + (MIDDLE_US - ends[0]) / gain
    return TrueServo(
        servo_map.channel,
        gain=gain * chance.uniform(0.94, 1.06),
        horn_offset=at_middle + chance.uniform(-8.0, 8.0),
        bend=chance.uniform(-2.0, 2.0),
        slack=chance.uniform(0.5, 1.0),
        stops_us=(ends[0] - BEYOND_MAP_US, ends[1] + BEYOND_MAP_US),
        stood_us=chance.uniform(*ends),
    )
