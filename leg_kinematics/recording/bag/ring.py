# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The last seconds of what passes, in memory, so that a run that goes wrong can still be kept."""

from collections import deque
from collections.abc import Callable, Iterator

from leg_kinematics.recording.bag.contents import Message


class Ring:
    """Keeps the messages of the last seconds, and the last message of topics that are said once.

    Parameters
    ----------
    seconds
        For how long.
    lasting
        Tells whether a topic is said once and holds from then on, such as a description.

    """

    def __init__(self, seconds: float, lasting: Callable[[str], bool]) -> None:
        """Keep nothing yet."""
        self._span = round(seconds * 1e9)
        self._lasting = lasting
        self._messages: deque[Message] = deque()
        self._once: dict[str, Message] = {}

    def add(self, message: Message) -> None:
        """Take a message, and forget what is too old by it."""
        self._messages.append(message)
        oldest = message.received - self._span
        while self._messages[0].received < oldest:
            gone = self._messages.popleft()
            if self._lasting(gone.topic):
                self._once[gone.topic] = gone

    def take(self) -> Iterator[Message]:
        """Give everything that is kept, the oldest first, and keep no more of it but what holds."""
        kept, self._messages = self._messages, deque()
        held = self._once
        self._once = held | {each.topic: each for each in kept if self._lasting(each.topic)}
        yield from held.values()
        yield from kept
