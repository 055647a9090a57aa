# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The link itself: Eclipse Zenoh over TLS with certificates at both ends, and its access control.

No router runs, nobody is searched for, and nothing but TLS is spoken: the robot listens, and a
driver connects to each robot by its address. Both ends let nobody say anything but what is his to
say: the identity of the speaker, from his certificate, stands in the key expression.
"""

import json
import secrets
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from leg_kinematics.chain.values import Answer
from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.remote.keys import AUTHORITY, CERTIFICATE, PRIVATE_KEY, KeyFolder, Register
from leg_kinematics.remote.words import (
    MOST_FROM_ROBOT,
    OrderWord,
    State,
    Word,
    answer_of,
    place,
    place_of_state,
    text_of_answer,
)

T = TypeVar('T')

PORT = 7447

#: A link on which nothing comes for so long is opened anew, ms.
LEASE = 3000

#: Between two attempts to reach a robot, ms.
RETRY = {'period_init_ms': 250, 'period_max_ms': 1000, 'period_increase_factor': 2.0}

#: So many words or orders wait to be taken; older ones are dropped.
WAITING = 32

#: An order is answered within this, or not at all, s.
ANSWERED_WITHIN = 3.0

WORDS, ORDERS = 'word', 'order'


class LinkError(LegKinematicsError):
    """The link cannot be opened."""


def load_zenoh() -> Any:  # noqa: ANN401  an extra
    """Load Zenoh.

    Raises
    ------
    CommandError
        It is not installed; says how to install it.

    """
    try:
        import zenoh  # noqa: PLC0415  an extra
    except ImportError as error:
        raise CommandError(
            f'the link to another machine needs Eclipse Zenoh ({error}): install it by\n'
            '    pip install eclipse-zenoh'
        ) from error
    return zenoh


@dataclass(frozen=True, slots=True)
class _Subject:
    """What somebody, known by his certificate, may say here, and hear from here."""

    identity: str
    hears: Mapping[str, Sequence[str]]
    says: Mapping[str, Sequence[str]]


def _open(key: KeyFolder, subjects: Iterable[_Subject], **ends: object) -> Any:  # noqa: ANN401  untyped in part
    """Open a session with a key, in which only subjects have a say."""
    zenoh = load_zenoh()
    rules, people, policies = [], [], []
    for subject in subjects:
        names = []
        for flow, permitted in (('egress', subject.hears), ('ingress', subject.says)):
            for places, messages in permitted.items():
                names.append(f'{subject.identity} {flow} {places}')
                rules.append(
                    {
                        'id': names[-1],
                        'messages': list(messages),
                        'flows': [flow],
                        'permission': 'allow',
                        'key_exprs': [places],
                    }
                )
        people.append({'id': subject.identity, 'cert_common_names': [subject.identity]})
        policies.append({'rules': names, 'subjects': [subject.identity]})
    folder = key.folder.resolve()
    tls = {
        'root_ca_certificate': str(folder / AUTHORITY),
        'enable_mtls': True,
        # Addresses of robots change. Whose certificate it is, the access control looks at; it must,
        # since Zenoh as a caller trusts the authorities of the web as well.
        'verify_name_on_connect': False,
        'close_link_on_expiration': True,
    }
    for side in ('listen', 'connect'):
        tls[f'{side}_private_key'] = str(folder / PRIVATE_KEY)
        tls[f'{side}_certificate'] = str(folder / CERTIFICATE)
    config = {
        'mode': 'peer',
        'scouting': {'multicast': {'enabled': False}, 'gossip': {'enabled': False}},
        'adminspace': {'enabled': False},
        'transport': {
            'unicast': {'open_timeout': LEASE, 'accept_timeout': LEASE},
            'link': {
                'protocols': ['tls'],
                'tls': tls,
                'tx': {'lease': LEASE},
                'rx': {'max_message_size': MOST_FROM_ROBOT},
            },
            'shared_memory': {'enabled': False},
        },
        'access_control': {
            'enabled': True,
            'default_permission': 'deny',
            'rules': rules,
            'subjects': people,
            'policies': policies,
        },
        **ends,
    }
    try:
        return zenoh.open(zenoh.Config.from_json5(json.dumps(config)))
    except zenoh.ZError as error:
        raise LinkError(f'the link with the key {folder} does not open: {error}') from error


class RobotLink:
    """The end at the robot, which listens.

    Parameters
    ----------
    key
        Of the robot.
    register
        The drivers that may say something.
    address
        To listen at, as ADDRESS:PORT.

    Raises
    ------
    LinkError
        It cannot listen there.
    CommandError
        Zenoh is not installed.

    """

    def __init__(self, key: KeyFolder, register: Register, address: str) -> None:
        """Listen."""
        own = key.identity
        subjects = [
            _Subject(
                driver,
                hears={
                    place_of_state(own): ['put'],
                    place(own, WORDS): ['declare_subscriber'],
                    place(own, ORDERS): ['declare_queryable'],
                    place(own, ORDERS, driver): ['reply'],
                },
                says={
                    place_of_state(own): ['declare_subscriber'],
                    place(own, WORDS, driver): ['put'],
                    place(own, ORDERS, driver): ['query'],
                },
            )
            for driver in register.drivers.values()
        ]
        zenoh = load_zenoh()
        self._session = _open(
            key,
            subjects,
            listen={'endpoints': [f'tls/{address}'], 'exit_on_failure': True, 'timeout_ms': 0},
            connect={'endpoints': []},
        )
        self._state = self._session.declare_publisher(place_of_state(own), **_quickly(zenoh))
        ring = zenoh.handlers.RingChannel
        self._words = self._session.declare_subscriber(place(own, WORDS), ring(WAITING))
        self._orders = self._session.declare_queryable(place(own, ORDERS), ring(WAITING))

    def tell(self, state: State) -> None:
        """Tell all drivers how the robot is."""
        self._state.put(state.text())

    def words(self) -> Iterator[tuple[str, Word | CommandError]]:
        """Give what has come since, each with the identity of the driver: a word, or what it is."""
        while (sample := self._words.try_recv()) is not None:
            yield _last(sample.key_expr), _read(Word.of, sample.payload)

    def orders(self) -> Iterator[tuple[str, OrderWord | CommandError, Callable[[Answer], None]]]:
        """Give the orders that have come since, each with the driver, and who takes the answer."""
        while (query := self._orders.try_recv()) is not None:
            yield (
                _last(query.key_expr),
                _read(OrderWord.of, query.payload or b''),
                _answering(query),
            )

    @property
    def linked(self) -> tuple[str, ...]:
        """Identities of whoever is linked, whether or not he may say something."""
        return _linked(self._session)

    def close(self) -> None:
        """Listen no more."""
        self._session.close()


class DriverLink:
    """The end of a driver, which connects to robots, and goes on trying.

    Parameters
    ----------
    key
        Of the driver.
    robots
        Address, as ADDRESS:PORT, by the identity of the robot.

    Raises
    ------
    LinkError
        The key is none.
    CommandError
        Zenoh is not installed.

    """

    def __init__(self, key: KeyFolder, robots: Mapping[str, str]) -> None:
        """Begin to connect."""
        zenoh = load_zenoh()
        self._own = own = key.identity
        self._session = _open(
            key,
            [
                _Subject(
                    robot,
                    hears={
                        place_of_state(robot): ['declare_subscriber'],
                        place(robot, WORDS, own): ['put'],
                        place(robot, ORDERS, own): ['query'],
                    },
                    says={
                        place_of_state(robot): ['put'],
                        place(robot, WORDS): ['declare_subscriber'],
                        place(robot, ORDERS): ['declare_queryable'],
                        place(robot, ORDERS, own): ['reply'],
                    },
                )
                for robot in robots
            ],
            listen={'endpoints': []},
            connect={
                'endpoints': [f'tls/{address}' for address in robots.values()],
                'timeout_ms': -1,
                'exit_on_failure': False,
                'retry': RETRY,
            },
        )
        self._quickly = _quickly(zenoh)
        self._states = {
            robot: self._session.declare_subscriber(
                place_of_state(robot), zenoh.handlers.RingChannel(1)
            )
            for robot in robots
        }
        self._words = {
            robot: self._session.declare_publisher(place(robot, WORDS, own), **self._quickly)
            for robot in robots
        }
        self._asked: list[tuple[Callable[[Answer | None], None], Any]] = []
        self._ended = zenoh.ZError
        self._channel = zenoh.handlers.FifoChannel

    def states(self) -> Iterator[tuple[str, State | CommandError]]:
        """Give the latest state of each robot that has told one since, or what it is."""
        for robot, states in self._states.items():
            if (sample := states.try_recv()) is not None:
                yield robot, _read(State.of, sample.payload)

    def send(self, robot: str, word: Word) -> None:
        """Send what is wanted."""
        self._words[robot].put(word.text())

    def order(self, robot: str, word: OrderWord, tell: Callable[[Answer | None], None]) -> None:
        """Send an order.

        Parameters
        ----------
        robot
            Its identity.
        word
            The order.
        tell
            Takes the answer, in `take_answers`; None where none comes.

        """
        replies = self._session.get(
            place(robot, ORDERS, self._own),
            self._channel(1),
            payload=word.text(),
            timeout=ANSWERED_WITHIN,
            **self._quickly,
        )
        self._asked.append((tell, replies))

    def take_answers(self) -> None:
        """Hand on the answers that have come since."""
        asked, self._asked = self._asked, []
        for tell, replies in asked:
            try:
                reply = replies.try_recv()
            except self._ended:
                tell(None)
                continue
            if reply is None:
                self._asked.append((tell, replies))
            elif reply.ok is None:
                tell(None)
            else:
                answer = _read(answer_of, reply.ok.payload)
                tell(
                    Answer(success=False, words=f'the answer is none: {answer}')
                    if isinstance(answer, CommandError)
                    else answer
                )

    @property
    def linked(self) -> tuple[str, ...]:
        """Identities of the robots that are linked."""
        return _linked(self._session)

    def close(self) -> None:
        """Leave all robots."""
        self._session.close()


def start_of_beats() -> int:
    """Draw a beat that nobody can guess, to start from."""
    return 1 + secrets.randbits(40)


def _quickly(zenoh: Any) -> dict[str, Any]:  # noqa: ANN401  the module of an extra
    """How everything is sent: at once, before all else, and dropped rather than kept."""
    return {
        'congestion_control': zenoh.CongestionControl.DROP,
        'priority': zenoh.Priority.REAL_TIME,
        'express': True,
    }


def _last(expression: object) -> str:
    return str(expression).rpartition('/')[2]


def _read(read: Callable[[bytes], T], payload: Any) -> T | CommandError:  # noqa: ANN401
    """Read a payload, or say what is wrong with it."""
    try:
        return read(bytes(payload))
    except CommandError as error:
        return error


def _answering(query: Any) -> Callable[[Answer], None]:  # noqa: ANN401
    """Answer a query once, and let it go."""

    def answer(done: Answer) -> None:
        query.reply(query.key_expr, text_of_answer(done))
        query.drop()

    return answer


def _linked(session: Any) -> tuple[str, ...]:  # noqa: ANN401
    return tuple(sorted({link.auth_identifier or '' for link in session.info.links()}))
