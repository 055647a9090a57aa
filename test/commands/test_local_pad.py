# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A gamepad of this computer: a virtual one, which SDL itself offers, plugged in and pulled out."""

import builtins
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from leg_kinematics.commands.driving.local_pad import LocalPad, load_sdl
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Twist
from leg_kinematics.teleop.layout import load_layout
from leg_kinematics.teleop.pad import BUTTONS, STICKS, TRIGGERS
from leg_kinematics.teleop.steering import Steering, SteeringParameters

if TYPE_CHECKING:
    from test.virtual_pad import VirtualPad
else:
    from virtual_pad import VirtualPad

LAYOUT = Path(__file__).parents[2] / 'config' / 'layouts' / 'two_sticks_four_buttons.yaml'


@pytest.fixture
def local() -> Iterator[LocalPad]:
    """Read pads of this computer."""
    pad = LocalPad()
    yield pad
    pad.close()


def test_every_axis_and_every_button_has_its_name(local: LocalPad) -> None:
    """One after another, and nothing else changes; a stick is in its middle until it is moved."""
    assert local.read() is None
    virtual = VirtualPad()
    still = local.read()
    assert still is not None
    assert still.axes == dict.fromkeys((*STICKS, *TRIGGERS), pytest.approx(0.0, abs=1e-4))
    assert local.name
    for name in (*STICKS, *TRIGGERS):
        for value in (1.0, 0.5):
            virtual.deflect(name, value if name in STICKS else 2.0 * value - 1.0)
            read = local.read()
            assert read is not None
            assert read.axes == {**still.axes, name: pytest.approx(value, abs=1e-4)}
            assert read.buttons == frozenset()
        virtual.deflect(name, 0.0 if name in STICKS else -1.0)
    for name in BUTTONS:
        virtual.press(name)
        read = local.read()
        assert read is not None
        assert read.buttons == {name}
        virtual.press(name, down=False)
    virtual.pull_out()


def test_a_pad_that_is_pulled_out_at_full_speed_stops(local: LocalPad) -> None:
    """At the next look; one that comes later is taken, and moves nothing with what is pressed."""
    steering = Steering(load_layout(LAYOUT), SteeringParameters())
    now = 0.0

    def look() -> Twist | None:
        nonlocal now
        now += 0.02
        pad = local.read()
        if pad is None:
            steering.lose('the pad was pulled out')
        else:
            steering.take(pad, now)
        return steering.step(now).twist

    virtual = VirtualPad()
    assert look() is None
    virtual.press('leftshoulder')
    virtual.press('rightshoulder')
    virtual.deflect('lefty', -1.0)
    driven = look()
    assert driven is not None
    assert driven.x == pytest.approx(0.12)
    virtual.pull_out()
    assert look() == Twist()
    assert str(steering.condition()) == 'no pad: the pad was pulled out'
    again = VirtualPad()
    again.press('leftshoulder')
    again.deflect('lefty', -1.0)
    for _ in range(100):
        assert not look()
    again.press('leftshoulder', down=False)
    again.deflect('lefty', 0.0)
    look()
    again.press('leftshoulder')
    again.deflect('lefty', -1.0)
    driven = look()
    assert driven is not None
    assert driven.x == pytest.approx(0.04)
    again.pull_out()


def test_without_sdl_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    """And what goes without it."""
    real = builtins.__import__

    def without(name: str, *others: Any) -> Any:  # noqa: ANN401
        if name == 'sdl2':
            raise ImportError('No module named sdl2')
        return real(name, *others)

    monkeypatch.setattr(builtins, '__import__', without)
    with pytest.raises(CommandError, match='pip install PySDL2 pysdl2-dll'):
        load_sdl()
