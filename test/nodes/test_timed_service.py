# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A service that knows when it was called."""

from collections.abc import Iterator
from threading import Event
from time import monotonic, time_ns
from types import SimpleNamespace

import pytest
import rclpy
from rclpy.client import Client
from rclpy.context import Context
from rclpy.executors import SingleThreadedExecutor
from std_srvs.srv import Trigger

from leg_kinematics.nodes.running.executor import LeanExecutor
from leg_kinematics.nodes.timed_service import create_timed_service

PATIENCE = 20.0
PAUSE = 0.5


@pytest.fixture
def context() -> Iterator[Context]:
    """Start rclpy."""
    context = Context()
    rclpy.init(context=context)
    yield context
    rclpy.try_shutdown(context=context)


@pytest.mark.parametrize('kind', [LeanExecutor, SingleThreadedExecutor])
def test_an_order_that_waited_is_known_to_be_old(
    context: Context, kind: type[SingleThreadedExecutor]
) -> None:
    """A request is sent, its server does not spin for half a second, then takes it."""
    asking, offering = (SingleThreadedExecutor(context=context), kind(context=context))
    asker = rclpy.create_node('asker', context=context)
    server = rclpy.create_node('server', context=context)
    asking.add_node(asker)
    offering.add_node(server)
    ages: list[float] = []

    def stand(_: Trigger.Request, response: Trigger.Response, sent: int | None) -> Trigger.Response:
        assert sent is not None
        ages.append((time_ns() - sent) / 1e9)
        response.message = 'standing'
        return response

    create_timed_service(server, Trigger, 'stand', stand)
    client: Client[Trigger.Request, Trigger.Response] = asker.create_client(Trigger, 'stand')
    assert client.wait_for_service(PATIENCE)
    for pause in (0.0, PAUSE):
        future = client.call_async(Trigger.Request())
        Event().wait(pause)  # the age is what is tested
        deadline = monotonic() + PATIENCE
        while not future.done():
            assert monotonic() < deadline, 'waited in vain'
            offering.spin_once(timeout_sec=0.02)
            asking.spin_once(timeout_sec=0.02)
        answer = future.result()
        assert answer is not None
        assert answer.message == 'standing'
    assert 0.0 <= ages[0] < ages[1]
    assert ages[1] >= PAUSE
    for executor, node in ((asking, asker), (offering, server)):
        executor.shutdown()
        node.destroy_node()


@pytest.mark.parametrize('header', [SimpleNamespace(), SimpleNamespace(source_timestamp=0)])
def test_an_instant_that_nobody_tells_is_none(context: Context, header: SimpleNamespace) -> None:
    """Some middleware has no such stamp, or leaves it at zero."""
    sent: list[int | None] = []
    server = rclpy.create_node('server', context=context)

    def stand(_: Trigger.Request, response: Trigger.Response, when: int | None) -> object:
        sent.append(when)
        return response

    service = create_timed_service(server, Trigger, 'stand', stand)
    with pytest.raises(TypeError):  # there is nobody whom rclpy could answer
        service.send_response(Trigger.Request(), header)  # type: ignore[arg-type]
    assert sent == [None]
    server.destroy_node()
