# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Robots that are drawn by chance: longer, shorter, faster, slower than bracken."""

from dataclasses import replace
from math import cos, pi, sin
from pathlib import Path
from random import Random

from leg_kinematics.calibration import LinearCurve, ServoMap, ServoMaps, load_servo_maps
from leg_kinematics.robot import Leg, Link, Mount, Posture, Robot, load_robot

CONFIG = Path(__file__).parents[1] / 'config'


def drawn_size(random: Random) -> float:
    """Draw how large a robot is, bracken being 1."""
    return random.uniform(0.6, 1.6)


def drawn_robot(random: Random, name: str, size: float, count: int) -> Robot:
    """Draw a robot of a size, with so many legs around its body."""
    model = load_robot(CONFIG / 'robots' / 'bracken.yaml')
    servo = replace(model.legs[0].coxa.servo, speed=random.uniform(3.0, 9.0))
    coxa, femur, tibia = (
        _link(link, size * random.uniform(0.85, 1.2), servo.speed) for link in model.legs[0].links
    )
    length, width = size * random.uniform(0.10, 0.16), size * random.uniform(0.06, 0.12)
    height = size * random.uniform(0.075, 0.095)
    reach = size * random.uniform(0.11, 0.135)
    legs, feet = [], []
    # Left side from the front, then the right side; a leg too many is the last of the right side.
    for side, sign, on_side in (('left', 1.0, count // 2), ('right', -1.0, count - count // 2)):
        for place in range(on_side):
            yaw = sign * (0.15 + 0.7 * (place + 0.5) / on_side) * pi
            x, y = length * cos(yaw), width * sin(yaw)
            legs.append(
                Leg(f'{side}_{place}', Mount((x, y, 0.0), (0.0, 0.0, yaw)), coxa, femur, tibia)
            )
            feet.append((x + reach * cos(yaw), y + reach * sin(yaw)))

    def posture(height: float) -> Posture:
        return Posture(height, tuple((x, y, -height) for x, y in feet))

    return Robot(
        name,
        model.body,
        tuple(legs),
        posture(0.4 * height),
        posture(height),
        model.document,
    )


def _link(link: Link, factor: float, speed: float) -> Link:
    return replace(
        link,
        length=factor * link.length,
        centre_of_mass=factor * link.centre_of_mass,
        servo=replace(link.servo, speed=speed),
    )


def full_maps(robot: Robot) -> ServoMaps:
    """Let the pulses of every servo express what its joint may do."""
    maps = []
    links = [link for leg in robot.legs for link in leg.links]
    for channel, (joint, link) in enumerate(zip(robot.joints, links, strict=True)):
        curve = LinearCurve(1500.0, 1900.0 / (link.upper - link.lower), 0.0)
        curve = replace(curve, horn_offset=0.5 * (link.upper + link.lower))
        maps.append(ServoMap(joint, f'board_{channel // 18}', channel % 18, curve, 500.0, 2500.0))
    model = load_robot(CONFIG / 'robots' / 'bracken.yaml')
    measured = load_servo_maps(CONFIG / 'servo_maps' / 'bracken.yaml', model)
    return ServoMaps(robot.name, measured.measured, tuple(maps), measured.document)
