# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""How to walk, from the parameters of the gait node."""

from collections.abc import Sequence

from leg_kinematics.errors import CommandError
from leg_kinematics.gait import GaitParameters
from leg_kinematics.nodes.parameters import Settings


def gait_parameters(settings: Settings) -> GaitParameters:
    """How to walk, from the parameters of the node."""
    return GaitParameters(
        swing_time=settings.number('swing_time'),
        duty_factor=settings.number('duty_factor'),
        slow_duty_factor=settings.number('slow_duty_factor'),
        phases=_phases(settings.texts('phases')),
        carry_height=settings.number('carry_height'),
        lift=settings.number('lift'),
        max_speed=settings.number('max_speed'),
        max_yaw_rate=settings.number('max_yaw_rate'),
        acceleration=settings.number('acceleration'),
        yaw_acceleration=settings.number('yaw_acceleration'),
        speed_share=settings.number('speed_share'),
        min_margin=settings.number('min_margin'),
        contacts=settings.flag('contacts'),
        search_depth=settings.number('search_depth'),
        stand_time=settings.number('stand_time'),
        body_speed=settings.number('body_speed'),
        body_rate=settings.number('body_rate'),
    )


def _phases(texts: Sequence[str]) -> dict[str, float]:
    """Read touchdown phases written as LEG=PHASE."""
    phases = {}
    for text in texts:
        leg, _, phase = text.partition('=')
        try:
            phases[leg] = float(phase)
        except ValueError:
            raise CommandError(
                f"'phases' must list LEG=PHASE, such as left_front=0.25 (got {text!r})"
            ) from None
    return phases
