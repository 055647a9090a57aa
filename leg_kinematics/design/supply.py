# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What the supply of the servos has to give, as far as the description tells it."""

from collections import Counter
from dataclasses import dataclass

from leg_kinematics.robot import Robot, ServoModel

#: V at which a hobby servo is mostly run (common practice, no source), where no battery is told.
VOLTS = 6.0

#: Share of an ideal motor's torque that gears and brushes leave (common practice, no source).
EFFICIENCY = 0.6


@dataclass(frozen=True)
class ServoDemand:
    """What the servos of one model draw.

    Attributes
    ----------
    servo
        Name of the model in the description.
    count
        How many of them the robot has.
    stall_current
        Of each when it is held fast, A.
    estimated
        Whether the description does not tell it.

    """

    servo: str
    count: int
    stall_current: float
    estimated: bool


def supply_voltage(robot: Robot) -> float:
    """Voltage of the described battery, or else what hobby servos are mostly run at, V."""
    return VOLTS if robot.battery is None else robot.battery.voltage


def servo_demands(robot: Robot) -> tuple[ServoDemand, ...]:
    """Tell what the servos of a robot draw, model by model, and estimate what is not described."""
    volts = supply_voltage(robot)
    models = Counter(link.servo for leg in robot.legs for link in leg.links)
    return tuple(
        ServoDemand(model.name, count, estimated_stall_current(model, volts), estimated=True)
        if model.stall_current is None
        else ServoDemand(model.name, count, model.stall_current, estimated=False)
        for model, count in models.items()
    )


def estimated_stall_current(servo: ServoModel, volts: float) -> float:
    """Estimate the current of a servo that is held fast, A.

    In an ideal motor with permanent magnets the torque is k·I and the no-load speed V/k, and gears
    of any ratio leave their product alone, so that stall torque times no-load speed is V·I
    (textbooks of electric machines, from memory). A real one takes more for the same torque.
    """
    return servo.stall_torque * servo.speed / (EFFICIENCY * volts)
