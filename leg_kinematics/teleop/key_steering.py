# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""From keys in a terminal to what is wanted: the robot moves while a key repeats.

A terminal does not tell that a key was let go. It repeats one that is held, after a pause: so a key
counts for that pause when it is pressed, and from its first repeat on only until the next is due.
"""

from dataclasses import dataclass

from leg_kinematics.gait import Twist
from leg_kinematics.teleop.layout import Act
from leg_kinematics.teleop.steering import STOP_TOLD_FOR, SteeringParameters, Wanted

#: Until a held key repeats for the first time, s: 0.25 s in the Linux kernel, 0.5 to 0.66 s in the
#: X server (from memory).
FIRST_REPEAT_WITHIN = 0.7

#: Between two repeats, s: 25 to 33 a second there (from memory), with room for a slow line.
REPEATS_WITHIN = 0.2


@dataclass(frozen=True, slots=True)
class Key:
    """A key and what it does.

    Attributes
    ----------
    names
        What it is called; the first one is shown, the others do the same.
    words
        What it does.
    way
        Direction of the velocity that it stands for; none for other keys.

    """

    names: tuple[str, ...]
    words: str
    way: Twist | None = None


#: Keys that walk.
WALKING_KEYS = (
    Key(('w', 'up'), 'forward', Twist(x=1.0)),
    Key(('s', 'down'), 'back', Twist(x=-1.0)),
    Key(('a', 'left'), 'turn left', Twist(yaw=1.0)),
    Key(('d', 'right'), 'turn right', Twist(yaw=-1.0)),
    Key(('j',), 'sideways left', Twist(y=1.0)),
    Key(('l',), 'sideways right', Twist(y=-1.0)),
)

FASTER, SLOWER = Key(('+', '='), 'fast range'), Key(('-',), 'slow range')
STAND, CROUCH = Key(('g',), 'stand up'), Key(('c',), 'crouch')
STOP = Key(('space',), 'STOP')
RELEASE = Key(('x',), 'RELEASE: pulses off, the robot sinks')
LEAVE = Key(('q',), 'leave')

#: Keys that do something whatever drives.
COMMON_KEYS = (STOP, RELEASE, LEAVE)

KEYS = (*WALKING_KEYS, FASTER, SLOWER, STAND, CROUCH, *COMMON_KEYS)

_ORDERS = {STAND: Act.STAND, CROUCH: Act.CROUCH, RELEASE: Act.RELEASE}


def key_of(name: str) -> Key | None:
    """Find the key of a name."""
    return next((key for key in KEYS if name in key.names), None)


class KeySteering:
    """What somebody at the keys wants.

    Parameters
    ----------
    parameters
        How fast the ranges are.

    Attributes
    ----------
    fast
        Whether the fast range is chosen.

    """

    def __init__(self, parameters: SteeringParameters) -> None:
        """Walk nowhere."""
        self._parameters = parameters
        self._key: Key | None = None
        self._pressed_at = self._counts_until = self._driven_at = -float('inf')
        self._barred: Key | None = None
        self.fast = False

    def press(self, key: Key, now: float) -> Act | None:
        """Take a key, at an instant, s; give what it orders, if anything."""
        if key in WALKING_KEYS:
            if key is self._barred and now - self._pressed_at <= FIRST_REPEAT_WITHIN:
                self._pressed_at = now
                return None
            self._barred = None
            repeated = key is self._key and now - self._pressed_at <= FIRST_REPEAT_WITHIN
            self._key, self._pressed_at = key, now
            self._counts_until = now + (REPEATS_WITHIN if repeated else FIRST_REPEAT_WITHIN)
            return None
        if key in {FASTER, SLOWER}:
            self.fast = key is FASTER
            return None
        self.stop()
        return _ORDERS.get(key)

    def stop(self) -> None:
        """Stand still until a key is pressed anew."""
        self._key, self._counts_until = None, -float('inf')

    def interrupt(self) -> None:
        """Stand still until the key that is held is let go, or another one is pressed."""
        self._barred = self._key or self._barred
        self.stop()

    def step(self, now: float) -> Wanted:
        """Say what is wanted at an instant, s."""
        p = self._parameters
        if self._key is None or self._key.way is None or now > self._counts_until:
            return Wanted(Twist() if now - self._driven_at <= STOP_TOLD_FOR else None)
        self._driven_at = now
        way = self._key.way
        speed = p.fast_speed if self.fast else p.slow_speed
        yaw_rate = p.fast_yaw_rate if self.fast else p.slow_yaw_rate
        return Wanted(Twist(speed * way.x, speed * way.y, yaw_rate * way.yaw))

    def in_words(self, now: float) -> str:
        """Say what is done at an instant, s."""
        if self._key is None or now > self._counts_until:
            return 'standing still'
        return self._key.words
