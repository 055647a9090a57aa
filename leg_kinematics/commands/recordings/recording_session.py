# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A recording as it goes on: into a bag, or into memory until something goes wrong."""

import os
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from time import localtime, strftime, time_ns

import yaml

from leg_kinematics.chain.values import NANOSECONDS
from leg_kinematics.errors import BagError, CommandError
from leg_kinematics.nodes.taking_part.recorder import Recorder
from leg_kinematics.nodes.translation.streams import RobotReports
from leg_kinematics.recording.bag.contents import Attachment, Channel, Message
from leg_kinematics.recording.bag.definitions import definition_of, type_hash_of
from leg_kinematics.recording.bag.ring import Ring
from leg_kinematics.recording.bag.writer import BagWriter
from leg_kinematics.recording.incidents import Incidents

#: What a process that is killed may lose, s.
FLUSH_EVERY = 0.1

#: What a computer without power may lose besides, s: asking the disk costs it time.
SYNC_EVERY = 1.0

#: So much of what follows an incident is kept with it, s.
AFTERWARDS = 1.0

#: Files of the robot that are attached, by the parameter of `kinematics` that names them.
FILES = {'robot': 'robot.yaml', 'servo_maps': 'servo_maps.yaml'}

#: Parameters of the nodes, in the form in which a node takes them.
PARAMETERS = 'parameters.yaml'


class RecordingSession:
    """Records a chain.

    Parameters
    ----------
    folder
        In which every recording gets a folder of its own.
    namespace, named
        Of the chain, and what else is recorded.
    last
        Seconds that are kept in memory, until something goes wrong; None to write everything.
    max_bytes, max_seconds
        Of a file; without limit where it is 0.
    tell
        Takes what a person should know.

    Attributes
    ----------
    recorder
        Hears the topics.
    saved
        Recordings that are complete.
    failed
        Whether the disk took no more.
    unsaved
        Messages that are lost by that.

    """

    def __init__(
        self,
        folder: Path,
        namespace: str,
        named: tuple[str, ...],
        *,
        last: float | None,
        max_bytes: int,
        max_seconds: float,
        tell: Callable[[str], None],
    ) -> None:
        """Join the graph; a recording that is written from the start is made at once."""
        self._folder = folder
        self._limits = (max_bytes, max_seconds)
        self._tell = tell
        self._attached: dict[str, Attachment] = {}
        self._told_of: set[str] = set()
        self._waiting = 0
        self._incidents = Incidents()
        self._reports = RobotReports()
        self.saved: list[Path] = []
        self.failed = False
        self.unsaved = 0
        self._writer: BagWriter | None = None
        self._ring = None if last is None else Ring(last + AFTERWARDS, self._lasts)
        self._due: int | None = None
        self._reason = ''
        now = time_ns()
        self._next_flush, self._next_sync = now, now
        self.recorder = Recorder(namespace, named, self._hear)
        self._state_topic = self.recorder.full_name('bridge/state')
        if last is None:
            with ExitStack() as stack:
                stack.push(self.recorder)
                self._writer = self._new_writer()
                stack.pop_all()

    @property
    def size(self) -> int:
        """Bytes of the recording that is being written; 0 where none is."""
        return 0 if self._writer is None else self._writer.size

    @property
    def folder(self) -> Path | None:
        """Folder of the recording that is being written; None where none is."""
        return None if self._writer is None else self._writer.folder

    def step(self, seconds: float) -> None:
        """Hear one message, or wait for so long, s; and hand over what is due."""
        self.recorder.spin_once(seconds)
        now = time_ns()
        if now < self._next_flush:
            return
        self._next_flush = now + round(FLUSH_EVERY * NANOSECONDS)
        self._attach()
        self._note(self._incidents.look(now))
        if self._due is not None and now >= self._due:
            self.save(self._reason)
        if self._writer is not None:
            self._flush(self._writer, now)

    def save(self, reason: str) -> None:
        """Write what memory holds into a recording of its own."""
        self._due = None
        if self._ring is None:
            return
        messages = list(self._ring.take())
        if not messages:
            self._tell('Nothing was heard yet, so nothing is kept.')
            return
        try:
            writer = self._new_writer()
        except BagError as error:
            self._tell(f'Not kept: {error}')
            return
        try:
            for message in messages:
                self._write(writer, message)
            writer.close()
        except OSError as error:
            writer.abandon()
            self._tell(
                f'Only a part was kept in {writer.folder}: {error.strerror}; make room, and press '
                'w again'
            )
            return
        self.saved.append(writer.folder)
        span = (messages[-1].received - messages[0].received) / NANOSECONDS
        self._tell(f'Kept {writer.folder}: {len(messages)} messages of {span:.1f} s, {reason}.')

    def close(self) -> None:
        """End the recording, and leave the graph."""
        self.recorder.__exit__(None, None, None)
        if self._due is not None:
            self.save(self._reason)
        if self._writer is None:
            return
        try:
            self._writer.close()
        except OSError as error:
            self._fail(self._writer, error)
        else:
            self.saved.append(self._writer.folder)

    # ---- what is heard

    def _hear(self, topic: str, received: int, sent: int, number: int, data: bytes) -> None:
        message = Message(topic, received, sent, number, data)
        if self._writer is not None:
            self._write(self._writer, message)
            self._waiting += 1
        elif self._ring is not None:
            self._ring.add(message)
            if topic == self._state_topic:
                self._look_at_report(data, received)
        else:
            self.unsaved += 1

    def _look_at_report(self, data: bytes, received: int) -> None:
        try:
            report = self._reports.read(data)
        except CommandError:
            # It is kept as it is: whoever looks at the recording sees what it was.
            return
        self._note(self._incidents.hear(report, received))

    def _note(self, incident: str) -> None:
        """Have what memory holds kept, with what follows at once."""
        if incident and self._ring is not None and self._due is None:
            self._reason = incident
            self._due = time_ns() + round(AFTERWARDS * NANOSECONDS)

    def _lasts(self, topic: str) -> bool:
        return self.recorder.topics[topic].lasting

    # ---- what is written

    def _new_writer(self) -> BagWriter:
        stem = strftime('recording_%Y%m%d_%H%M%S', localtime())
        taken = {path.name for path in self.saved}
        number, name = 1, stem
        while name in taken:
            number += 1
            name = f'{stem}_{number}'
        max_bytes, max_seconds = self._limits
        writer = BagWriter(
            self._folder / name,
            max_bytes=max_bytes,
            max_seconds=max_seconds,
            distribution=os.environ.get('ROS_DISTRO', ''),
        )
        for attachment in self._attached.values():
            writer.attach(attachment)
        return writer

    def _write(self, writer: BagWriter, message: Message) -> None:
        heard = self.recorder.topics[message.topic]
        if not writer.has_channel(message.topic):
            kind = heard.kind
            channel = Channel(
                message.topic, kind, definition_of(kind), type_hash_of(kind), heard.offered
            )
            writer.add_channel(channel)
        writer.write(message)

    def _flush(self, writer: BagWriter, now: int) -> None:
        try:
            writer.flush()
            if now >= self._next_sync:
                self._next_sync = now + round(SYNC_EVERY * NANOSECONDS)
                writer.sync()
        except OSError as error:
            self._fail(writer, error)
        else:
            self._waiting = 0

    def _fail(self, writer: BagWriter, error: OSError) -> None:
        """End a recording that the disk takes no more of; the robot does not depend on it."""
        writer.abandon()
        self._writer = None
        self.failed = True
        self.unsaved += self._waiting
        self._tell(
            f'The recording has ended: {error.strerror} ({writer.folder}). It is whole but for '
            f'the last {self._waiting} messages; make room, then run: '
            f'leg-kinematics recover {writer.folder}'
        )

    def _attach(self) -> None:
        """Attach what the nodes have told of themselves, once it is known."""
        parameters = self.recorder.parameters
        if parameters.keys() != self._told_of:
            # Of several attachments of a name the last counts.
            self._told_of = set(parameters)
            told = {f'/**/{name}': {'ros__parameters': v} for name, v in parameters.items()}
            self._attach_text(PARAMETERS, yaml.safe_dump(told, sort_keys=False))
        for parameter, name in FILES.items():
            path = parameters.get('kinematics', {}).get(parameter)
            if path and name not in self._attached:
                try:
                    self._attach_text(name, Path(path).read_text(encoding='utf-8'))
                except (OSError, UnicodeDecodeError) as error:
                    self._attached[name] = Attachment(name, '')
                    self._tell(f'Not in the recording: {path} of the robot ({error})')

    def _attach_text(self, name: str, text: str) -> None:
        self._attached[name] = Attachment(name, text)
        if self._writer is not None:
            self._writer.attach(self._attached[name])
