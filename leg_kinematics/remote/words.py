# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What crosses the link: small JSON texts (RFC 8259), each with all of its fields.

From a robot come states, many in a second, each with the robot's *beat*: the robot's own time, in
ms from a start that nobody can guess. A driver answers a beat with a word of what is wanted. Since
nobody can answer what he has not heard, the robot knows by its own clock how old a word is at most,
whatever the clock of the driver shows and whatever happened on the way.

The number of a word grows from word to word, and so does the number of a press from one press of
the hold control to the next. Both are drawn from beats, so that they go on growing when a driver
starts anew.
"""

import enum
import json
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from leg_kinematics.chain.values import Answer
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Offset, Twist

#: In every key expression: whoever speaks another version is not heard.
VERSION = 1

#: Larger texts are not read, bytes.
MOST_FROM_DRIVER, MOST_FROM_ROBOT = 1024, 32768

#: No robot is meant to be faster, m/s and rad/s, nor farther off level, m and rad.
FASTEST, FARTHEST = 10.0, 3.2

#: Whole numbers up to here are exact in every reader of JSON (RFC 8259, section 6).
LARGEST = 2**53


#: Texts that come from elsewhere are cut to so many characters.
LONGEST_TEXT = 300


def place(robot: str, what: str, driver: str = '*') -> str:
    """Key expression of what a driver says to a robot."""
    return f'leg_kinematics/{VERSION}/{robot}/{what}/{driver}'


def place_of_state(robot: str) -> str:
    """Key expression of what a robot tells to all drivers."""
    return f'leg_kinematics/{VERSION}/{robot}/state'


class Order(enum.StrEnum):
    """What can be ordered, with an answer."""

    STAND = 'stand'
    CROUCH = 'crouch'
    STOP = 'stop'
    """Whoever drives is stopped."""
    RELEASE = 'release'

    @property
    def whenever(self) -> bool:
        """Whether it is obeyed however late it comes, and asked again until it is answered."""
        return self in {Order.STOP, Order.RELEASE}


@dataclass(frozen=True, slots=True)
class Word:
    """What a driver wants now.

    Attributes
    ----------
    beat
        Of the state that was heard last.
    number
        Grows from word to word.
    press
        Number of the press that goes on; 0 while the hold control is let go.
    twist
        The velocity.
    offset
        Of the body; None unless it changes.
    duty_factor
        None unless the driver has chosen one.

    """

    beat: int
    number: int
    press: int
    twist: Twist = field(default_factory=Twist)
    offset: Offset | None = None
    duty_factor: float | None = None

    def text(self) -> bytes:
        """Write it."""
        return _written(
            {
                'beat': self.beat,
                'number': self.number,
                'press': self.press,
                'twist': [self.twist.x, self.twist.y, self.twist.yaw],
                'offset': None if self.offset is None else self.offset.components,
                'duty_factor': self.duty_factor,
            }
        )

    @classmethod
    def of(cls, text: bytes) -> 'Word':
        """Read it.

        Raises
        ------
        CommandError
            It is none, or a number in it means no robot.

        """
        values = _read(text, MOST_FROM_DRIVER, cls)
        offset, duty_factor = values['offset'], values['duty_factor']
        word = cls(
            _count(values, 'beat'),
            _count(values, 'number'),
            _count(values, 'press'),
            Twist(*_numbers('twist', values['twist'], 3, FASTEST)),
            None if offset is None else Offset.of(_numbers('offset', offset, 6, FARTHEST)),
            None if duty_factor is None else _numbers('duty_factor', [duty_factor], 1, 1.0)[0],
        )
        if not word.press and word.twist:
            raise CommandError(f'no press goes on, and yet a velocity is wanted ({word.twist})')
        if word.duty_factor is not None and word.duty_factor <= 0.0:
            raise CommandError(f"'duty_factor' must be above 0 (got {word.duty_factor:g})")
        return word


@dataclass(frozen=True, slots=True)
class OrderWord:
    """What a driver orders.

    Attributes
    ----------
    beat
        Of the state that was heard last; 0 where none was.
    order
        What.

    """

    beat: int
    order: Order

    def text(self) -> bytes:
        """Write it."""
        return _written({'beat': self.beat, 'order': self.order})

    @classmethod
    def of(cls, text: bytes) -> 'OrderWord':
        """Read it.

        Raises
        ------
        CommandError
            It is none.

        """
        values = _read(text, MOST_FROM_DRIVER, cls)
        if values['order'] not in list(Order):
            raise CommandError(
                f"'order' must be one of {', '.join(Order)} (got {values['order']!r:.40})"
            )
        return cls(_count(values, 'beat'), Order(values['order']))


@dataclass(frozen=True, slots=True)
class State:
    """What a robot tells.

    Attributes
    ----------
    beat
        Of the robot, ms.
    driver
        Identity of the driver whose press goes on; empty while none does.
    ended
        By the identity of a driver, the press that ended last.
    why
        By the identity of a driver, why it ended, or why a word of his was refused.
    nodes
        By the name of a node, how it is.
    pose
        x, y and yaw by odometry, m and rad; None where none was heard lately.
    twist
        Of the body by odometry; likewise.

    """

    beat: int
    driver: str = ''
    ended: Mapping[str, int] = field(default_factory=dict)
    why: Mapping[str, str] = field(default_factory=dict)
    nodes: Mapping[str, str] = field(default_factory=dict)
    pose: tuple[float, float, float] | None = None
    twist: Twist | None = None

    def text(self) -> bytes:
        """Write it."""
        twist = self.twist
        return _written(
            {
                'beat': self.beat,
                'driver': self.driver,
                'ended': dict(self.ended),
                'why': dict(self.why),
                'nodes': dict(self.nodes),
                'pose': self.pose,
                'twist': None if twist is None else (twist.x, twist.y, twist.yaw),
            }
        )

    @classmethod
    def of(cls, text: bytes) -> 'State':
        """Read it.

        Raises
        ------
        CommandError
            It is none.

        """
        values = _read(text, MOST_FROM_ROBOT, cls)
        ended = _mapping(values, 'ended')
        pose, twist = values['pose'], values['twist']
        return cls(
            _count(values, 'beat'),
            _text(values, 'driver'),
            {driver: _count(ended, driver) for driver in ended},
            {driver: _text(_mapping(values, 'why'), driver) for driver in _mapping(values, 'why')},
            {node: _text(_mapping(values, 'nodes'), node) for node in _mapping(values, 'nodes')},
            None if pose is None else _numbers('pose', pose, 3, LARGEST),
            None if twist is None else Twist(*_numbers('twist', twist, 3, LARGEST)),
        )


def shown(text: str) -> str:
    """Make a text one that may cross: printable, and not too long."""
    text = ''.join(each if each.isprintable() else ' ' for each in text)
    return text if len(text) <= LONGEST_TEXT else f'{text[: LONGEST_TEXT - 3]}...'


def text_of_answer(answer: Answer) -> bytes:
    """Write what became of an order."""
    return _written({'success': answer.success, 'words': answer.words})


def answer_of(text: bytes) -> Answer:
    """Read what became of an order.

    Raises
    ------
    CommandError
        It is no answer.

    """
    values = _read(text, MOST_FROM_ROBOT, Answer)
    if not isinstance(values['success'], bool):
        raise CommandError(f"'success' must be true or false (got {values['success']!r:.40})")
    return Answer(values['success'], _text(values, 'words'))


def _written(values: Mapping[str, object]) -> bytes:
    text = json.dumps(values, allow_nan=False, ensure_ascii=False, separators=(',', ':'))
    return text.encode()


def _read(text: bytes, most: int, kind: type[Any]) -> dict[str, Any]:
    """Read a text that must have the fields of a class, and no other."""
    if len(text) > most:
        raise CommandError(f'a text of {len(text)} bytes, and at most {most} are read')
    try:
        values = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise CommandError(f'no JSON: {error}') from error
    names = [each.name for each in fields(kind)]
    if not isinstance(values, dict) or set(values) != set(names):
        raise CommandError(f'expected {", ".join(names)} (got {text!r:.80})')
    return values


def _count(values: Mapping[str, Any], name: str) -> int:
    value = values[name]
    if type(value) is not int or not 0 <= value < LARGEST:
        raise CommandError(f'{name!r:.40} must be a whole number in [0, 2^53) (got {value!r:.40})')
    return value


def _numbers(name: str, values: object, count: int, most: float) -> Any:  # noqa: ANN401
    """Give a tuple of so many finite numbers."""
    if (
        not isinstance(values, list)
        or len(values) != count
        or not all(type(each) in {int, float} and abs(each) <= most for each in values)
    ):
        raise CommandError(
            f'{name!r} must hold {count} numbers within {most:g} (got {values!r:.60})'
        )
    return tuple(map(float, values))


def _mapping(values: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    if not isinstance(values[name], dict):
        raise CommandError(f'{name!r} must be a mapping (got {values[name]!r:.40})')
    return dict(values[name])


def _text(values: Mapping[str, Any], name: str) -> str:
    """Give a text whose characters can be shown: a terminal obeys others."""
    value = values[name]
    if not isinstance(value, str) or not (value.isprintable() or not value):
        raise CommandError(f'{name!r:.40} must be a printable text (got {value!r:.40})')
    return value
