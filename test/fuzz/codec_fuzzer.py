# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A fuzzer of the Python codec and of the reference board, guided by what it reaches in them.

Inputs are those of ``firmware_fuzzer.c``, and so are the rules; the codec they are judged with is
written anew. A program, since the fuzzer wants the process for itself: its arguments are those of
libFuzzer.
"""

import sys
from collections.abc import Iterator
from dataclasses import dataclass, field

import atheris

INSTRUMENTED = ['leg_kinematics.board.framed.frames', 'leg_kinematics.board.simulated.board']
with atheris.instrument_imports(include=INSTRUMENTED):
    from leg_kinematics.board.framed import frames
    from leg_kinematics.board.simulated.board import SimulatedBoard
    from leg_kinematics.board.simulated.memory import Memory
    from leg_kinematics.board.simulated.servo import ServoDynamics

(RAW, FRAME, SPOILT, CUT, AGAIN, WAIT, RESET, VOLTAGE) = OPERATIONS = range(8)
LONGEST_RUN, LONGEST_CONTENT = 62, 59
HELLO, LIMITS, SILENCE, ENABLE, POSE, RELEASE, STORE, SETTINGS_REQUEST = 1, 2, 3, 4, 5, 6, 10, 11
ACK, REFUSED = 0x82, 0x83
SIZES = {1: 0, 2: 6, 3: 3, 4: 4, 5: 36, 6: 0, 7: 0, 8: 4, 9: 2, 0x0A: 0, 0x0B: 1}
"""Of the bodies of a host's messages (the protocol's page)."""
STORING = 0.4
DYNAMICS = ServoDynamics(4000.0, 4.0)
ALL = range(18)


def divide(byte: int) -> int:
    """Take one byte through the checksum bit by bit, as its definition has it."""
    crc = byte << 8
    for _ in range(8):
        crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


TABLE = [divide(byte) for byte in range(256)]


def crc16(data: bytes) -> int:
    """Give the checksum."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc << 8 & 0xFFFF) ^ TABLE[crc >> 8 ^ byte]
    return crc


def make_frame(content: bytes) -> bytes:
    """Close a content as the protocol's page tells."""
    whole = content + crc16(content).to_bytes(2, 'big')
    return b''.join(bytes((len(part) + 1,)) + part for part in whole.split(b'\0')) + b'\0'


def open_run(run: bytes) -> bytes | None:
    """Give the content of what stands between two zero bytes; None if it is no frame."""
    content = b''
    rest = run
    while rest:
        block, rest = rest[1 : rest[0]], rest[rest[0] :] if len(rest) >= rest[0] else b''
        if len(block) != run[len(run) - len(rest) - len(block) - 1] - 1:
            return None
        content += block + (b'\0' if rest else b'')
    whole = len(run) <= LONGEST_RUN and len(content) >= 4 and crc16(content) == 0
    return content[:-2] if whole else None


def is_request(content: bytes) -> bool:
    """Tell whether a board has to answer this content."""
    kind, body = content[0], content[2:]
    if SIZES.get(kind) != len(body):
        return False
    flag = {LIMITS: 5, SILENCE: 0, SETTINGS_REQUEST: 0}.get(kind)
    return flag is None or body[flag] <= 1


def expect(condition: object, complaint: str) -> None:
    """Let the fuzzer know what it has found."""
    if not condition:
        raise AssertionError(complaint)


@dataclass
class Input:
    """What is left of an input; zeros follow."""

    data: bytes
    last: bytes = b''

    def take(self) -> int:
        """Give the next byte."""
        byte, self.data = (self.data[0], self.data[1:]) if self.data else (0, b'')
        return byte

    def take_bytes(self, most: int) -> bytes:
        """Give so many of the next bytes as they tell."""
        size = self.take() % (most + 1)
        taken, self.data = self.data[:size], self.data[size:]
        return taken.ljust(size, b'\0')

    def take_frame(self) -> bytes:
        """Give the frame of the next content."""
        return make_frame(self.take_bytes(LONGEST_CONTENT))

    def speak(self, operation: int) -> bytes:
        """Give what an operation puts on the line."""
        if operation == RAW:
            return self.take_bytes(255)
        if operation == FRAME:
            self.last = self.take_frame()
        elif operation == SPOILT:
            place, bits = self.take(), self.take()
            spoilt = bytearray(self.take_frame())
            spoilt[place % len(spoilt)] ^= bits
            self.last = bytes(spoilt)
        elif operation == CUT:
            kept = self.take()
            frame = self.take_frame()
            self.last = frame[: kept % len(frame)]
        return self.last


@dataclass
class Witness:
    """A board, and what has been said to it and by it."""

    memory: Memory = field(default_factory=Memory)
    now: float = 0.0
    run: bytes = b''
    pending: list[bytes] = field(default_factory=list)
    pose: tuple[float, ...] = ()
    refused: int = 0
    limits: dict[int, tuple[float, float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Switch on."""
        self.restart()

    def restart(self) -> None:
        """Start the board again with the memory it has."""
        self.board = SimulatedBoard(DYNAMICS, self.now, memory=self.memory)
        self.decoder = frames.FrameDecoder()
        self.run = b''
        self.pending.clear()
        self.pose = ()
        stored = self.memory.settings
        self.limits = dict(stored.limits) if stored else {}

    def runs(self, data: bytes) -> Iterator[bytes]:
        """Cut the line into what its zero bytes end."""
        *ended, rest = (self.run + data).split(b'\0')
        self.run = rest
        return (run for run in ended if run)

    def hear(self, data: bytes) -> None:
        """Put bytes on the line, and compare with what the codec makes of them."""
        found = self.decoder.feed(data)
        contents = [open_run(run) for run in self.runs(data)]
        expect(len(found) == len(contents), 'frames are missing')
        for item, content in zip(found, contents, strict=True):
            if isinstance(item, frames.Frame):
                expect(content is not None, f'{item} out of a run that is no frame')
                expect(frames.encode(item.message, item.seq) == make_frame(content or b''), 'bytes')
            elif content is not None:
                expect(not is_request(content), f'{content.hex()} is a request, got {item}')
        self.pending += (content for content in contents if content and is_request(content))
        self.answers(self.board.receive(data, self.now))

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.now += seconds
        self.answers(self.board.advance(self.now))

    def answers(self, data: bytes) -> None:
        """Compare answers with what was asked, and pulses with what was accepted."""
        *ended, rest = data.split(b'\0')
        expect(not rest, 'an answer without an end')
        for run in ended:
            content = open_run(run)
            expect(content is not None, f'{run.hex()} is no frame')
            self.answer(content or b'')
        expect(not any(content[0] != STORE for content in self.pending), 'no answer')
        for channel, pulse in self.board.outputs_us.items():
            expect(self.pose, 'a pulse without a pose')
            expect(pulse == self.pose[channel], f'channel {channel} puts out {pulse}')

    def answer(self, content: bytes) -> None:
        """Take one answer."""
        kind, number, *body = content
        self.refused += kind == REFUSED
        if kind == ACK and body[0] == STORE:
            self.pending = [c for c in self.pending if c[0] != STORE or c[1] != number]
            return
        while self.pending and self.pending[0][0] == STORE:
            self.pending.pop(0)
        expect(self.pending, f'{content.hex()} to no request')
        request = self.pending.pop(0)
        expect(number == request[1], f'{content.hex()} to {request.hex()}')
        if kind in {ACK, REFUSED}:
            expect(body[0] == request[0], f'{content.hex()} to {request.hex()}')
        if kind == ACK and request[0] == POSE:
            self.pose = tuple(pulse / 2 for pulse in memoryview(request[2:]).cast('H'))
            for channel, pulse in enumerate(self.pose):
                lowest, highest = self.limits.get(channel, (0.0, 0.0))
                expect(not pulse or lowest <= pulse <= highest, f'accepted {pulse} in {channel}')
        elif kind == ACK and request[0] == LIMITS:
            lowest, highest = (pulse / 2 for pulse in memoryview(request[3:7]).cast('H'))
            self.limits[request[2]] = (lowest, highest)

    def must_obey(self, *contents: bytes) -> None:
        """Send requests that are good whatever was before."""
        self.refused = 0
        self.hear(b''.join(map(make_frame, contents)))
        self.wait(STORING)
        expect(not self.refused and not self.pending, f'not obeyed: {contents}')

    def recover(self) -> None:
        """Go on after the input: good frames are obeyed, and stored limits survive."""
        self.hear(b'\0')
        limits = (bytes((LIMITS, 3, channel, 0xE8, 0x03, 0x88, 0x13, 1)) for channel in ALL)
        hold = bytes((SILENCE, 2, 0, 0x60, 0xEA))
        self.must_obey(bytes((HELLO, 1)), hold, *limits, bytes((STORE, 4)))
        self.must_obey(bytes((POSE, 5, *(0xB8, 0x0B) * 18)), bytes((ENABLE, 6, 0xFF, 0xFF, 3, 0)))
        expect(self.board.outputs_us == dict.fromkeys(ALL, 1500.0), 'the board does not follow')
        self.must_obey(bytes((RELEASE, 7)))
        expect(not self.board.outputs_us, 'a pulse after the release')
        self.restart()
        self.must_obey(bytes((POSE, 8, *(0xE8, 0x03, 0x88, 0x13) * 9)))
        expect(not self.board.outputs_us, 'a pulse after the start')


def try_input(data: bytes) -> None:
    """Do what an input says."""
    rest = Input(data)
    witness = Witness()
    while rest.data:
        operation = rest.take() % len(OPERATIONS)
        if operation == WAIT:
            witness.wait(rest.take() / 1000)
        elif operation == RESET:
            rest.take()
            witness.restart()
        elif operation == VOLTAGE:
            reading = rest.take() << 8 | rest.take()
            witness.answers(witness.board.set_supply(reading, witness.now))
        else:
            witness.hear(rest.speak(operation))
    witness.recover()


if __name__ == '__main__':
    atheris.Setup(sys.argv, try_input)
    atheris.Fuzz()
