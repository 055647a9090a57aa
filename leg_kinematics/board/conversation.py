# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What every driver of a board on a serial line does, whatever the board speaks.

The thread of the line hears and watches the clock; whoever has something to say writes it, if its
turn has come, else the thread does. What must be answered is asked one request at a time, and
asked again until it is answered. One lock guards all of it.
"""

import threading
import time
from abc import ABC, abstractmethod
from collections import Counter, deque
from collections.abc import Callable, Iterable
from concurrent.futures import Future, wait
from dataclasses import dataclass, field
from math import inf
from typing import Generic, TypeVar

from leg_kinematics.board.serial_line import SerialLine
from leg_kinematics.errors import BoardError, FrameError, LinkLostError, NotSentError, RefusedError

OPEN_WITHIN = 5.0
"""Longest time for all of opening, s; a board that its port resets boots for about two."""
ANSWER_WITHIN = 0.1
"""Longest wait for an answer, s; after it a request is asked again."""
TICK = 0.02
"""Time between looks at the clock while the line is quiet, s."""
LATE_LOOK = 2 * TICK
"""Longest time between two looks that counts as time in which the board could be heard, s."""

Q = TypeVar('Q')
M = TypeVar('M')


@dataclass(eq=False)
class Request(Generic[Q, M]):
    """What must be answered, and who waits for the answer.

    Attributes
    ----------
    content
        As the driver knows it.
    name
        For a person.
    began, within
        When its time began and how long that is, s of listening.
    patience
        How long it may take from its first asking, s of listening.
    answer
        What becomes of it.
    asked_at
        When it was first written, s of listening, None before that.
    sent_at
        When it was last written, s on the steady clock.

    """

    content: Q
    name: str
    began: float
    within: float
    patience: float
    answer: Future[M] = field(default_factory=Future)
    asked_at: float | None = None
    sent_at: float = -inf


class Conversation(ABC, Generic[Q, M]):
    """One conversation with a board, from opening its port to closing it.

    Parameters
    ----------
    port
        The serial device, best by a name that stays the same when it is plugged in again.
    baud_rate
        Its speed, in bits per second.
    decode
        Makes messages of the bytes that the board sends.
    look_every
        Between looks at the board while nothing else is asked, s.

    """

    def __init__(
        self,
        port: str,
        baud_rate: int,
        decode: Callable[[bytes], Iterable[M | FrameError]],
        look_every: float,
    ) -> None:
        """Prepare; nothing is opened yet."""
        self._port = port
        self._decode = decode
        self._look_every = look_every
        self._lock = threading.Lock()
        self._line = SerialLine(port, baud_rate, self._lock, self._converse, self._end)
        self._connected = False
        self._requests: deque[Request[Q, M]] = deque()
        # A machine that was asleep or too busy to listen has not found its board silent.
        self._listened = 0.0
        self._release: Future[None] | None = None
        self._next_look = 0.0
        self._wake_at = inf
        self._counts: Counter[str] = Counter()
        self._last_error = ''

    def close(self) -> None:
        """End the thread, which closes the port; who waits for an answer gets LinkLostError.

        A release that is under way is seen through first, within the time of any request.
        """
        with self._lock:
            release = self._release
        if release is not None:
            wait([release])
        self._line.close()

    # ---- what a driver adds, under the lock

    @abstractmethod
    def _hear(self, message: M) -> None:
        """Take what the board says."""

    @abstractmethod
    def _send(self, now: float) -> None:
        """Write what is due, the request of `_due` among it."""

    @abstractmethod
    def _look(self) -> None:
        """Ask what shows that the board lives, and what it does."""

    # ---- from anywhere, under the lock

    def _request(
        self,
        content: Q,
        name: str,
        within: float = inf,
        *,
        began: float | None = None,
        patience: float = inf,
    ) -> Future[M]:
        """Have a request asked when its turn comes; it is settled, come what may.

        Raises
        ------
        LinkLostError
            The line is not open.

        """
        if not self._line.serving:
            raise self._not_open()
        began = self._listened if began is None else began
        request: Request[Q, M] = Request(content, name, began, within, patience)
        self._requests.append(request)
        self._send(time.monotonic())
        return request.answer

    def _due(self, now: float) -> Q | None:
        """Give the request at the head, if it is time to write it, perhaps again."""
        head = self._requests[0] if self._requests else None
        if head is None or now - head.sent_at <= ANSWER_WITHIN:
            return None
        if head.asked_at is None:
            head.asked_at = self._listened
        else:
            self._counts['unanswered'] += 1
        head.sent_at = now
        self._counts['sent'] += 1
        return head.content

    def _asked(self) -> Q | None:
        """Give the request that waits for its answer."""
        head = self._requests[0] if self._requests else None
        return None if head is None or head.asked_at is None else head.content

    def _settle(self, outcome: M | BoardError, count: str = 'unanswered') -> None:
        """Take the request at the head off the queue and hand over what became of it."""
        request = self._requests.popleft()
        self._counts[count] += request.asked_at is not None
        if isinstance(outcome, BoardError):
            request.answer.set_exception(outcome)
        else:
            request.answer.set_result(outcome)

    def _give_up(self, error: BoardError) -> None:
        while self._requests:
            self._settle(error)

    def _not_open(self) -> LinkLostError:
        return LinkLostError(self._last_error or f'{self._port}: not open')

    def _release_by(self, say: Callable[[], list[Future[M]]]) -> Future[None]:
        """Drop what waits and send a release; gives what becomes of it.

        Parameters
        ----------
        say
            Writes it at once, and gives what will be confirmed of it.

        """
        confirmed, self._release = self._release, None
        if confirmed is None:
            confirmed = Future()
            confirmed.set_running_or_notify_cancel()  # nobody can cancel what has been said
        self._give_up(RefusedError(f'{self._port}: given up for a release'))
        failure, answers = self._not_sent(), []
        if failure is None:
            answers = say()
            failure = self._not_sent()
        if failure is not None:
            confirmed.set_exception(failure)
            return confirmed
        self._release = confirmed

        def conclude(_: object = None) -> None:
            """Tell what became of it, unless it was sent anew meanwhile."""
            if self._release is None or not all(answer.done() for answer in answers):
                return
            self._release = None
            errors = [error for answer in answers if (error := answer.exception()) is not None]
            if errors:
                confirmed.set_exception(errors[0])
            else:
                confirmed.set_result(None)

        for answer in answers:
            answer.add_done_callback(conclude)
        conclude()
        return confirmed

    def _not_sent(self) -> NotSentError | None:
        """Tell why a release does not go out, if it does not."""
        if self._line.closing:
            reason = f'{self._port}: closed'
        elif not self._connected:
            reason = self._last_error or f'{self._port}: no board has identified itself'
        elif self._line.broken is not None:
            reason = f'{self._port}: the line broke: {self._line.broken}'
        else:
            return None
        return NotSentError(f'no release was sent: {reason}')

    # ---- in the thread

    def _converse(self) -> None:
        pause, looked_at = TICK, time.monotonic()
        while not self._line.closing:
            found = self._decode(self._line.read(pause))
            now = time.monotonic()
            with self._lock:
                self._listened += min(now - looked_at, LATE_LOOK)
                looked_at = now
                for item in found:
                    if isinstance(item, FrameError):
                        self._counts['bad'] += 1
                    else:
                        self._hear(item)
                self._judge()
                if self._connected and not self._requests and now >= self._next_look:
                    self._next_look = now + self._look_every
                    self._look()
                self._send(now)
                pause = min(TICK, self._wake_at - now)

    # ---- in the thread, under the lock

    def _judge(self) -> None:
        """Call the link lost when the board has had its chances to answer."""
        listened = self._listened
        for request in self._requests:
            asked_at = listened if request.asked_at is None else request.asked_at
            for since, within in (request.began, request.within), (asked_at, request.patience):
                if listened - since > within:
                    msg = f'{self._port}: no answer to {request.name} within {within} s'
                    raise LinkLostError(msg)

    def _end(self, lost: LinkLostError) -> None:
        """Give up all that waits or is under way."""
        self._connected = False
        if not self._line.closing:
            self._last_error = str(lost)
        self._give_up(lost)
