# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How servos are wired to a board with our firmware: in general, and those of one robot."""

from dataclasses import asdict, dataclass

from leg_kinematics.board.framed.pins import PINS
from leg_kinematics.calibration import ServoMaps
from leg_kinematics.design.supply import EFFICIENCY, servo_demands, supply_voltage
from leg_kinematics.robot import Robot

WIRES = """\
WIRING
A hobby servo has three wires. Their colours are common practice; the servo's sheet decides.
  signal    white, yellow or orange: to the pin of its channel, below
  supply    red, mostly in the middle: to + of the servos' own supply, never to a 5 V pin of the
            board, which cannot give what servos draw
  ground    black or brown: to - of that supply, and from there one wire to GND of the board:
            without this common ground the board's signals mean nothing to the servos
A fuse and a switch within reach belong between the battery and everything else. Wire with the
power off.
  ADC7      (A7; chips with two rows of 14 pins have none) measures the servo supply, through a
            divider to less than the chip's own supply; leave it open where that feeds the chip
            too. `leg-kinematics board PORT` sets it up.
  PD0, PD1  (D0, D1) receive from and send to the host: 500000 baud, 8N1"""

ADVICE = """\
Walking takes less, legs that are caught take all of it. A supply for half of the sum is common
practice (no source), with wires and fuse to fit. A weaker one sags, and the robot falls;
`leg-kinematics board PORT --low-voltage VOLTS` has that reported early."""

ESTIMATE = """\
These currents are estimated from stall torque and speed, with an efficiency of {efficiency:.0%}
assumed (common practice, no source). Where the servo's sheet names its stall current, put it into
the description as stall_current."""

HEADING = f'{"channel":<9}{"pin":<6}label on many boards'


@dataclass(frozen=True)
class JointWire:
    """Where the signal wire of a joint's servo goes; no pin where the board has no such channel."""

    joint: str
    board: str
    channel: int
    pin: str | None
    label: str | None


def joint_wires(maps: ServoMaps) -> tuple[JointWire, ...]:
    """Give the signal wire of every joint, in the order of the maps."""
    wires = []
    for each in maps.maps:
        pin = PINS[each.channel] if each.channel < len(PINS) else None
        names = (pin.chip, pin.label) if pin else (None, None)
        wires.append(JointWire(each.joint, each.board, each.channel, *names))
    return tuple(wires)


def wiring_in_words(robot: Robot, maps: ServoMaps) -> str:
    """Say how the servos of a robot are wired and fed; the supply is for all its legs."""
    wires = joint_wires(maps)
    joints = 2 + max(len(wire.joint) for wire in wires)
    boards = 2 + max(len('board'), *(len(wire.board) for wire in wires))
    lines = [f'JOINTS OF {robot.name}', f'  {"joint":<{joints}}{"board":<{boards}}{HEADING}']
    for wire in wires:
        names = f'{wire.pin:<6}{wire.label}' if wire.pin else f'none, the last is {len(PINS) - 1}'
        lines.append(f'  {wire.joint:<{joints}}{wire.board:<{boards}}{wire.channel:<9}{names}')
    if maps.not_wired:
        lines.append(f'{maps.not_wired_in_words}: channels as soon as the servo maps have them.')
    if any(wire.pin is None for wire in wires):
        lines.append('On a board with Firmata a channel is the number of the pin instead.')

    demands = servo_demands(robot)
    legs = ', with all its legs' if maps.not_wired else ''
    lines += ['', f'THE SERVO SUPPLY OF {robot.name}{legs}']
    lines += [
        f'  {each.count} servos {each.servo!r}: about {each.stall_current:.1f} A each, held fast'
        for each in demands
    ]
    total = sum(each.count * each.stall_current for each in demands)
    lines.append(f'  all held fast at once: about {total:.0f} A')
    volts = supply_voltage(robot)
    lines.append(
        f'  at {volts:g} V, as the battery in the description'
        if robot.battery
        else f'  at {volts:g} V, assumed (common practice, no source), as no battery is described'
    )
    if any(each.estimated for each in demands):
        lines.append(ESTIMATE.format(efficiency=EFFICIENCY))
    lines.append(ADVICE)
    return '\n'.join(lines)


def channels_in_words() -> str:
    """Say which pin each channel is, where no robot is known."""
    lines = ['CHANNELS (of your joints, with --robot and --servo-maps)', f'  {HEADING}']
    lines += [f'  {channel:<9}{pin.chip:<6}{pin.label}' for channel, pin in enumerate(PINS)]
    return '\n'.join(lines)


def wiring_facts(robot: Robot, maps: ServoMaps) -> dict[str, object]:
    """Tell a script how the servos of a robot are wired and fed; the supply is for all its legs."""
    return {
        'joints': [asdict(wire) for wire in joint_wires(maps)],
        'not_wired': list(maps.not_wired),
        'supply': {
            'volts': supply_voltage(robot),
            'volts_assumed': robot.battery is None,
            'servos': [
                {
                    'servo': each.servo,
                    'count': each.count,
                    'stall_amperes': each.stall_current,
                    'estimated': each.estimated,
                }
                for each in servo_demands(robot)
            ],
        },
    }
