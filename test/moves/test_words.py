# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Steps in words that a builder knows."""

from math import radians

import pytest

from leg_kinematics.moves.places import Frame, Place
from leg_kinematics.moves.steps import (
    BodyStep,
    FeetStep,
    Posture,
    PostureStep,
    Step,
    WaitStep,
)
from leg_kinematics.moves.words import step_in_words

OUT = Place(Frame.RESTING, x=0.04, z=-0.02)


@pytest.mark.parametrize(
    ('step', 'words'),
    [
        (FeetStep({'left_front': OUT}), 'left_front to x 40 mm, z -20 mm (resting)'),
        (
            FeetStep({'left_front': OUT, 'left_rear': Place(Frame.LEG, y=0.0), 'right_rear': OUT}),
            'left_front, right_rear to x 40 mm, z -20 mm (resting); left_rear to y 0 mm (leg)',
        ),
        (FeetStep({'left_front': Place(Frame.BODY)}), 'left_front stay'),
        (FeetStep({'left_front': Place(Frame.BODY, x=-1e-9)}), 'left_front to x 0 mm (body)'),
        (FeetStep({'left_front': Place(Frame.BODY, x=0.12346)}), 'left_front to x 123.5 mm (body)'),
        (
            BodyStep((None, None, -0.02, None, radians(5.0), None)),
            'body to z -20 mm, pitch 5 deg',
        ),
        (
            BodyStep((0.01, 0.02, 0.0, radians(-1.5), 0.0, radians(10.0))),
            'body to x 10 mm, y 20 mm, z 0 mm, roll -1.5 deg, pitch 0 deg, yaw 10 deg',
        ),
        (BodyStep(6 * (None,)), 'body stays'),
        (PostureStep(Posture.STANDING), 'all legs to the standing posture'),
        (PostureStep(Posture.RESTING), 'all legs to the resting posture'),
        (WaitStep(0.5), 'wait 0.5 s'),
    ],
)
def test_a_step_in_words(step: Step, words: str) -> None:
    """In mm and degrees, with their frame, and only what is given."""
    assert step_in_words(step) == words
