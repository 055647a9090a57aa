# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A robot that is driven by its topics."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from time import monotonic

from rich.console import Console

from leg_kinematics.chain.values import Answer
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.driver import STOP_EVERYBODY, DriverTopics
from leg_kinematics.nodes.taking_part.joining import LOOK_FOR
from leg_kinematics.nodes.taking_part.participant import Participant
from leg_kinematics.teleop.layout import Act
from leg_kinematics.teleop.steering import Wanted

#: An arbiter is seen soon after the gait, s.
ARBITER_WITHIN = 1.0

#: Topic that the arbiter takes from here.
THROUGH_ARBITER = 'drive/cmd_vel'

#: So long a last velocity is on its way before the node leaves, s.
LEAVING = 0.02


@contextmanager
def driving_node(namespace: str, console: Console) -> Iterator[tuple[Participant, str]]:
    """Take part in the chain of a namespace; give the topic on which it takes velocities from here.

    Raises
    ------
    CommandError
        No gait listens there.

    """
    with Participant('drive', namespace, triggers=(STOP_EVERYBODY,)) as participant:
        node = participant.node
        with console.status('looking for a gait'):
            if not participant.happens(lambda: bool(node.count_subscribers('cmd_vel')), LOOK_FOR):
                raise CommandError(
                    f'nobody takes cmd_vel in namespace {namespace}: start the chain first, such '
                    'as by leg-kinematics run, or give its --namespace, or the --network on which '
                    'it is reached on another machine'
                )
            arbitrated = participant.happens(
                lambda: bool(node.count_subscribers(THROUGH_ARBITER)), ARBITER_WITHIN
            )
        yield participant, THROUGH_ARBITER if arbitrated else 'cmd_vel'


class DrivenByTopics:
    """The robot of a namespace.

    Parameters
    ----------
    participant
        In the namespace of the chain.
    topic
        Where velocities go.
    tell
        Takes what came of an order.

    """

    def __init__(self, participant: Participant, topic: str, tell: Callable[[str], None]) -> None:
        """Send nothing yet."""
        self._participant = participant
        self._topic = topic

        def told(name: str, answer: Answer) -> None:
            tell(f'{name}: {answer.words}')

        self._topics = DriverTopics(participant.node, topic, told)
        self.choices: Sequence[str] = ()

    @property
    def title(self) -> str:
        """Namespace and topic."""
        return f'{self._participant.node.get_namespace()} on {self._topic}'

    @property
    def states(self) -> Sequence[tuple[str, str]]:
        """What the nodes say."""
        states = self._participant.states
        return [(name, states[name]) for name in ('gait', 'bridge', 'arbiter') if name in states]

    def choose(self, index: int) -> None:
        """There is only one robot in a namespace."""

    def work(self, seconds: float) -> None:
        """Listen."""
        until = monotonic() + seconds
        self._participant.happens(lambda: monotonic() >= until)

    def send(self, wanted: Wanted, *, held: bool) -> str:  # noqa: ARG002
        """Send what is wanted; where it does not count, the arbiter says why."""
        self._topics.send(wanted)
        return ''

    def order(self, acts: Iterable[Act], duty_factor: float) -> None:
        """Call orders."""
        self._topics.order(acts, duty_factor)

    def stop(self) -> None:
        """Stop this driver, and whoever else drives through an arbiter."""
        self._topics.drive(Twist())
        if self._topic == THROUGH_ARBITER:
            self._participant.order(STOP_EVERYBODY)

    def leave(self) -> None:
        """Stand still."""
        self._topics.drive(Twist())
        self.work(LEAVING)
