# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Keys, gamepad, screen and robot together: driven until somebody leaves."""

from collections.abc import Hashable, Iterator
from contextlib import contextmanager
from time import monotonic

from rich.console import Console
from rich.live import Live

from leg_kinematics.chain.values import Answer
from leg_kinematics.commands.driving_screen import Scene, screen
from leg_kinematics.commands.full_screen import full_screen
from leg_kinematics.commands.key_names import split_keys
from leg_kinematics.commands.local_pad import LocalPad
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Twist
from leg_kinematics.nodes.driver import DriverTopics
from leg_kinematics.nodes.joining import LOOK_FOR
from leg_kinematics.nodes.participant import Participant
from leg_kinematics.teleop.key_steering import (
    COMMON_KEYS,
    KEYS,
    LEAVE,
    STOP,
    KeySteering,
    key_of,
)
from leg_kinematics.teleop.steering import Steering, SteeringParameters, Wanted

#: Between two looks at keys and pad, s.
INTERVAL = 0.02

#: The screen is drawn no more often, s.
DRAW_EVERY = 0.1

#: An arbiter is seen soon after the gait, s.
ARBITER_WITHIN = 1.0

#: Topic that the arbiter takes from here.
THROUGH_ARBITER = 'drive/cmd_vel'

STOP_ORDER = 'arbiter/stop'

Hands = tuple[LocalPad, Steering]


@contextmanager
def driving_node(namespace: str, console: Console) -> Iterator[tuple[Participant, str]]:
    """Take part in the chain of a namespace; give the topic on which it takes velocities from here.

    Raises
    ------
    CommandError
        No gait listens there.

    """
    with Participant('drive', namespace, triggers=(STOP_ORDER,)) as participant:
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


class Driver:
    """Hands on what keys and gamepad want, and shows what comes of it.

    Parameters
    ----------
    participant
        In the namespace of the chain.
    topic
        Where velocities go.
    parameters
        Of the keys.
    hands
        A gamepad and what its controls mean; None where the keys drive.
    console
        A terminal.

    """

    def __init__(
        self,
        participant: Participant,
        topic: str,
        parameters: SteeringParameters,
        hands: Hands | None,
        console: Console,
    ) -> None:
        """Send nothing yet."""
        self._participant = participant
        self._topic = topic
        self._keys = KeySteering(parameters)
        self._hands = hands
        self._console = console
        self._topics = DriverTopics(participant.node, topic, self._tell)
        self._words = ''
        self._pending = ''
        self._drawn: Hashable = None
        self._drawn_at = 0.0

    def run(self) -> None:
        """Drive until somebody leaves; then the robot stands still.

        Ctrl-C, SIGTERM and the end of the terminal leave, too.
        """
        with full_screen(self._console) as (interrupted, keys, live):
            staying = True
            while staying and not interrupted.yes and keys.there:
                until = monotonic() + INTERVAL
                self._participant.happens(lambda until=until: monotonic() >= until)  # type: ignore[misc]
                staying = self._press(keys.pressed())
                self._topics.send(self._wanted())
                self._draw(live)
        self._topics.drive(Twist())
        # It is on its way before the node leaves.
        self._participant.happens(lambda: False, INTERVAL)

    def _press(self, typed: str) -> bool:
        """Take what was typed; tell whether to stay."""
        names, self._pending = split_keys(self._pending + typed)
        for name in names:
            key = key_of(name)
            if key is None or (self._hands is not None and key not in COMMON_KEYS):
                self._words = f'{name!r} is no key here'
                continue
            act = self._keys.press(key, monotonic())
            if key in COMMON_KEYS:
                self._words = ''
                self._stop_hands(f'{key.names[0]} was pressed')
            if key is LEAVE:
                return False
            if key is STOP:
                self._stop()
            if act is not None:
                self._topics.order([act], 0.0)
        return True

    def _stop(self) -> None:
        """Stop this driver, and whoever else drives through an arbiter."""
        self._topics.drive(Twist())
        self._words = 'stopped'
        if self._topic == THROUGH_ARBITER:
            self._participant.order(STOP_ORDER)

    def _stop_hands(self, why: str) -> None:
        if self._hands is not None:
            self._hands[1].stop(why)

    def _wanted(self) -> Wanted:
        now = monotonic()
        if self._hands is None:
            return self._keys.step(now)
        pad, steering = self._hands
        before = pad.name
        read = pad.read()
        if read is not None:
            self._topics.order(steering.take(read, now), steering.duty_factor)
        elif before:
            steering.lose(f'{before} was pulled out')
        return steering.step(now)

    def _tell(self, name: str, answer: Answer) -> None:
        self._words = f'{name}: {answer.words}'

    # ---- the screen

    def _draw(self, live: Live) -> None:
        now = monotonic()
        if now - self._drawn_at < DRAW_EVERY:
            return
        states = self._participant.states
        if self._hands is None:
            state = self._keys.in_words(now)
            pace = 'fast' if self._keys.fast else 'slow'
        else:
            pad, steering = self._hands
            state = f'{pad.name}: {steering.condition()}'.removeprefix(': ')
            pace = ''
        scene = Scene(
            namespace=self._participant.node.get_namespace(),
            topic=self._topic,
            state=state,
            pace=pace,
            words=self._words,
            nodes=tuple(
                (name, states[name]) for name in ('gait', 'bridge', 'arbiter') if name in states
            ),
            keys=KEYS if self._hands is None else COMMON_KEYS,
        )
        size = self._console.size
        if (scene, size) == self._drawn:
            return
        self._drawn, self._drawn_at = (scene, size), now
        live.update(screen(scene, size.width), refresh=True)
