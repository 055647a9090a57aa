# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Orders that somebody at a pad or at keys gives: called without waiting, answers told."""

from collections.abc import Callable, Sequence
from typing import Any

from rclpy.client import Client
from rclpy.node import Node
from rclpy.task import Future
from std_srvs.srv import Trigger

from leg_kinematics.chain.values import Answer

RELEASE = 'bridge/release'

#: A release that is not answered is called again after this, s, and so often.
AGAIN_AFTER = 0.5
TRIES = 40


class OrderCalls:
    """Calls orders by name, and tells what became of each.

    A release is called until it is answered, since a lossy link may lose it. Any other order is
    called once: it is meant for now.

    Parameters
    ----------
    node
        Who calls.
    names
        Of the services.
    tell
        Takes the name and the answer, or what hinders it.

    """

    def __init__(
        self, node: Node, names: Sequence[str], tell: Callable[[str, Answer], None]
    ) -> None:
        """Call nothing yet."""
        self._clients: dict[str, Client[Any, Any]] = {
            name: node.create_client(Trigger, name) for name in dict.fromkeys([*names, RELEASE])
        }
        self._tell = tell
        self._tries = 0
        node.create_timer(AGAIN_AFTER, self._release_again)

    def order(self, name: str) -> None:
        """Call an order."""
        if name == RELEASE:
            self._tries = TRIES
        if not self._call(name):
            again = '; it is tried again: use the switch of the battery' if name == RELEASE else ''
            self._tell(name, Answer(success=False, words=f'nobody takes this order now{again}'))

    def _call(self, name: str) -> bool:
        client = self._clients[name]
        if not client.service_is_ready():
            return False

        def answered(future: 'Future[Any]') -> None:
            response = future.result()
            if response is not None:
                if name == RELEASE:
                    self._tries = 0
                self._tell(name, Answer(bool(response.success), str(response.message)))

        client.call_async(Trigger.Request()).add_done_callback(answered)
        return True

    def _release_again(self) -> None:
        if self._tries:
            self._tries -= 1
            self._call(RELEASE)
            if not self._tries:
                words = f'NOT ANSWERED in {AGAIN_AFTER * TRIES:g} s: use the switch of the battery'
                self._tell(RELEASE, Answer(success=False, words=words))
