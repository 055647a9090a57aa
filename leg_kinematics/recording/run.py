# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A recorded run, by the topics of one chain."""

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import yaml
from diagnostic_msgs.msg import DiagnosticArray
from std_msgs.msg import Float64MultiArray

from leg_kinematics.chain.calibrated_robot import CalibratedRobot
from leg_kinematics.chain.values import NANOSECONDS, RobotReport
from leg_kinematics.errors import BagError, CommandError
from leg_kinematics.nodes.translation.cdr import message_of, stamp_in
from leg_kinematics.nodes.translation.messages import robot_report
from leg_kinematics.recording.bag.contents import Attachment, Message

#: A topic by which a chain is recognised.
OF_A_CHAIN = ('/bridge/state', '/foot_targets', '/foot_states')


@dataclass(frozen=True)
class Status:
    """What a node said of itself, or of an order.

    Attributes
    ----------
    at
        When, s from the beginning of the run.
    name
        Of the node, or of the order.
    level
        As in diagnostic_msgs/DiagnosticStatus.
    words
        For people.
    values
        For others.

    """

    at: float
    name: str
    level: int
    words: str
    values: dict[str, str]

    @property
    def state(self) -> str:
        """The state alone, without what changes all the time."""
        return self.values.get('state', self.words)


class Run:
    """A recorded run.

    Parameters
    ----------
    messages
        All of them, in the order of their receipt.
    attachments
        By name.
    namespace
        Of the chain; None for the only one in the recording.

    Raises
    ------
    BagError
        There is no chain in it, or several.

    Attributes
    ----------
    start, end
        First and last receipt, ns.
    topics
        Messages by topic, those of the chain without its namespace.

    """

    def __init__(
        self,
        messages: Sequence[Message],
        attachments: dict[str, Attachment],
        namespace: str | None = None,
    ) -> None:
        """Put the messages in their topics."""
        self._prefix = _prefix_of({each.topic for each in messages}, namespace)
        self._attachments = attachments
        self.start = min(each.received for each in messages)
        self.end = max(each.received for each in messages)
        self.topics: dict[str, list[Message]] = {}
        for each in messages:
            self.topics.setdefault(each.topic.removeprefix(self._prefix), []).append(each)

    @property
    def namespace(self) -> str:
        """Of the chain."""
        return self._prefix.rstrip('/') or '/'

    @property
    def seconds(self) -> float:
        """How long it took, s."""
        return (self.end - self.start) / NANOSECONDS

    def instant(self, nanoseconds: int) -> float:
        """Give an instant of the system clock, ns, in s from the beginning."""
        return (nanoseconds - self.start) / NANOSECONDS

    def of(self, topic: str) -> Sequence[Message]:
        """Give the messages of a topic; none where it was not recorded."""
        return self.topics.get(topic, [])

    def read(self, topic: str, kind: type[Any]) -> list[tuple[float, Any]]:
        """Give the messages of a topic with the instants of their receipt, s."""
        return [(self.instant(m.received), message_of(m.data, kind)) for m in self.of(topic)]

    @cached_property
    def reports(self) -> list[tuple[float, RobotReport]]:
        """What the bridge reported; what is no report is left out."""
        found = []
        for at, message in self.read('bridge/state', Float64MultiArray):
            try:
                found.append((at, robot_report(message.data)))
            except CommandError:
                continue
        return found

    @cached_property
    def statuses(self) -> list[Status]:
        """What the nodes of the chain said of themselves, by `/diagnostics`."""
        return [
            Status(each.at, each.name.removeprefix(self._prefix), *_rest(each))
            for each in self._read_statuses('/diagnostics')
            if each.name.startswith(self._prefix)
        ]

    @cached_property
    def orders(self) -> list[Status]:
        """Orders by services, with their answers."""
        return list(self._read_statuses('orders'))

    def _read_statuses(self, topic: str) -> list[Status]:
        return [
            Status(
                at,
                status.name,
                status.level[0],
                status.message,
                {value.key: value.value for value in status.values},
            )
            for at, array in self.read(topic.removeprefix(self._prefix), DiagnosticArray)
            for status in array.status
        ]

    def attached(self, name: str) -> str:
        """Give the text of a file that is attached; empty where it is not."""
        attachment = self._attachments.get(name)
        return '' if attachment is None else attachment.text

    @cached_property
    def parameters(self) -> dict[str, dict[str, Any]]:
        """Parameters by node; none where they are not in the recording."""
        told = yaml.safe_load(self.attached('parameters.yaml')) or {}
        return {name.removeprefix('/**/'): each['ros__parameters'] for name, each in told.items()}


def stamp_of(message: Message) -> int:
    """Give the stamp in the header of a message, ns."""
    return stamp_in(message.data)


def robot_of(run: Run) -> CalibratedRobot:
    """Read the robot from the files that are attached.

    Raises
    ------
    BagError
        They are not.
    DescriptionError
        They are wrong.

    """
    names = ('robot.yaml', 'servo_maps.yaml')
    if missing := [name for name in names if not run.attached(name)]:
        raise BagError(
            f'the recording does not have {" and ".join(missing)} of its run: record with '
            'leg-kinematics record, on the machine that has the files of the chain'
        )
    with tempfile.TemporaryDirectory() as folder:
        files = [Path(folder, name) for name in names]
        for file in files:
            file.write_text(run.attached(file.name), encoding='utf-8')
        return CalibratedRobot.load(*files)


def _rest(status: Status) -> tuple[int, str, dict[str, str]]:
    return status.level, status.words, status.values


def _prefix_of(topics: set[str], namespace: str | None) -> str:
    """Find the namespace of the chain, with a slash at its end."""
    if namespace is not None:
        prefix = namespace.rstrip('/') + '/'
        if not any(topic.startswith(prefix) for topic in topics):
            raise BagError(f'the recording has no topic in {namespace}; it has {_listed(topics)}')
        return prefix
    found = {
        topic[: -len(end)] + '/' for topic in topics for end in OF_A_CHAIN if topic.endswith(end)
    }
    if len(found) != 1:
        what = f'chains in {_listed(found)}: choose one by --namespace' if found else 'no chain'
        raise BagError(f'the recording has {what}; its topics are {_listed(topics)}')
    return found.pop()


def _listed(names: set[str]) -> str:
    return ', '.join(sorted(names)) or 'none'
