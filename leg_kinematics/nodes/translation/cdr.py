# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Streamed messages as bytes, written and read without making the message.

rclpy turns a message into bytes attribute by attribute, which takes longer than all that the nodes
compute. But of a message whose names and counts stay the same only numbers change, and each stands
where it stood before: in CDR (OMG DDS-XTypes 1.3, section 7.4) the place of a value depends on
nothing but the sizes of those before it: each number is aligned to its size, a string ends with a
zero, a sequence begins with its length. What the gaps hold is left to chance, and so are some bytes
behind the end that rclpy may add. A publisher sends such bytes as they are, a subscription
hands them over with `raw=True`.

What comes in otherwise (other names, another order, another byte order) is read by rclpy and
checked by `messages`: it takes longer, and comes to the same.
"""

import re
import struct
import sys
from collections.abc import Iterable, Iterator
from typing import Any

from rclpy.impl.implementation_singleton import rclpy_implementation
from rclpy.serialization import deserialize_message, serialize_message

from leg_kinematics.errors import CommandError

#: A number in a message: what has it, and under which attribute or index.
Place = tuple[object, str | int]

Number = int | float

#: Plain CDR in the order of bytes of this machine (OMG DDS-XTypes 1.3, table 60).
ORDER = '<' if sys.byteorder == 'little' else '>'
HEADER = b'\0\1\0\0' if sys.byteorder == 'little' else b'\0\0\0\0'

FORMATS = {'double': 'd', 'int32': 'i', 'uint32': 'I'}

#: `sequence<KIND>` or `KIND[COUNT]`, as rclpy names the type of an attribute.
SEVERAL = re.compile(r'sequence<(.+)>|(.+)\[\d+\]')


class FixedMessage:
    """A message of which only numbers change.

    Parameters
    ----------
    message
        With everything that does not change.
    places
        The numbers that change, in the order in which they stand in the message.

    Raises
    ------
    ValueError
        A place is not in the message, or rclpy writes it in another way.

    """

    def __init__(self, message: object, places: Iterable[Place]) -> None:
        """Lay out the message by the rules of CDR, and compare with what rclpy makes of it."""
        wanted = [(id(owner), key) for owner, key in places]
        numbers = constants = ORDER
        constant: list[Any] = [HEADER]
        numbers += f'{len(HEADER)}x'
        constants += f'{len(HEADER)}s'
        end = found = 0
        for owner, key, form, value in _parts(message):
            size = struct.calcsize(ORDER + form)
            gap = 0 if form.endswith('s') else -end % size
            end += gap + size
            if found < len(wanted) and (id(owner), key) == wanted[found]:
                found += 1
                numbers += f'{gap}x{form}'
                constants += f'{gap + size}x'
            else:
                constant.append(value)
                numbers += f'{gap + size}x'
                constants += f'{gap}x{form}'
        self._numbers = struct.Struct(numbers)
        self._constants = struct.Struct(constants)
        self._constant = tuple(constant)
        # Where a number has bits, the rest has none.
        self._rest = int.from_bytes(self._constants.pack(*constant), 'little')
        if found < len(wanted) or self.read(serialize_message(message)) is None:
            raise ValueError(f'{found} of {len(wanted)} places are as expected in {message}')

    def write(self, numbers: Iterable[Number]) -> bytes:
        """Return the message with these numbers."""
        bits = int.from_bytes(self._numbers.pack(*numbers), 'little')
        return (bits | self._rest).to_bytes(self._numbers.size, 'little')

    def read(self, data: bytes) -> tuple[Any, ...] | None:
        """Return the numbers of a message; None unless it differs in nothing else."""
        if len(data) < self._numbers.size or self._constants.unpack_from(data) != self._constant:
            return None
        return self._numbers.unpack_from(data)


def _parts(
    value: Any,  # noqa: ANN401
    kind: str = '',
    owner: object = None,
    key: str | int = '',
) -> Iterator[tuple[object, str | int, str, Any]]:
    """Every number and string of a message in its order: what has it, where, format, value."""
    if kind in FORMATS:
        yield owner, key, FORMATS[kind], value
    elif kind == 'string':
        text = value.encode() + b'\0'
        yield None, '', 'I', len(text)
        yield None, '', f'{len(text)}s', text
    elif several := SEVERAL.fullmatch(kind):
        sequence, array = several.groups()
        if sequence:
            yield None, '', 'I', len(value)
        for index, each in enumerate(value):
            yield from _parts(each, sequence or array, value, index)
    else:
        for name, kind_of_it in value.get_fields_and_field_types().items():
            yield from _parts(getattr(value, name), kind_of_it, value, name)


def message_of(data: bytes, kind: type[Any]) -> Any:  # noqa: ANN401
    """Let rclpy read a message.

    Raises
    ------
    CommandError
        The bytes are no such message.

    """
    try:
        return deserialize_message(data, kind)
    except (rclpy_implementation.RMWError, ValueError) as error:
        raise CommandError(f'{len(data)} bytes are no {kind.__name__}: {error}') from error


def stamp_in(data: bytes) -> int:
    """Give the stamp in the header of a message, ns.

    Raises
    ------
    CommandError
        The bytes are too few to have one.

    """
    if len(data) < len(HEADER) + struct.calcsize('iI'):
        raise CommandError(f'{len(data)} bytes are no message with a header')
    order = '<' if data[1] == 1 else '>'
    seconds, nanoseconds = struct.unpack_from(f'{order}iI', data, len(HEADER))
    return int(seconds) * 1_000_000_000 + int(nanoseconds)
