# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The lean executor does what rclpy's does, with everything that a node can have."""

from collections.abc import Callable, Iterator
from threading import Thread
from time import monotonic
from typing import Any, TypeAlias

import pytest
import rclpy
import rclpy.timer
from rclpy.client import Client
from rclpy.event_handler import PublisherEventCallbacks
from rclpy.executors import SingleThreadedExecutor
from rclpy.node import Node
from rclpy.parameter import Parameter
from rclpy.parameter_client import AsyncParameterClient
from rclpy.qos import QoSProfile
from rclpy.serialization import serialize_message
from rclpy.task import Future
from std_msgs.msg import String
from std_srvs.srv import Trigger

from leg_kinematics.nodes.running.executor import LeanExecutor

TriggerClient: TypeAlias = 'Client[Trigger.Request, Trigger.Response]'

PATIENCE = 20.0

DEEP = QoSProfile(depth=100)


class Bench:
    """A node in an executor."""

    def __init__(self, executor: SingleThreadedExecutor) -> None:
        """Add the node."""
        self.executor = executor
        self.node = rclpy.create_node('planter')
        executor.add_node(self.node)

    def until(self, condition: Callable[[], bool]) -> None:
        """Spin until something has happened."""
        deadline = monotonic() + PATIENCE
        while not condition():
            assert monotonic() < deadline, 'waited in vain'
            self.executor.spin_once(timeout_sec=0.1)


@pytest.fixture(params=[LeanExecutor, SingleThreadedExecutor])
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """Make a node in each of the two executors: what one does the other has to do."""
    rclpy.init()
    bench = Bench(request.param())
    yield bench
    bench.executor.shutdown()
    bench.node.destroy_node()
    rclpy.shutdown()


def test_messages_come_in_order_raw_and_with_info(bench: Bench) -> None:
    """Three kinds of callbacks of one topic, one of which was there before the publisher."""
    plain: list[str] = []
    raw: list[bytes] = []
    stamps: list[int] = []
    publisher = bench.node.create_publisher(String, 'beds', DEEP)
    bench.node.create_subscription(String, 'beds', lambda m: plain.append(m.data), DEEP)
    bench.node.create_subscription(String, 'beds', raw.append, DEEP, raw=True)
    bench.node.create_subscription(
        String, 'beds', lambda _, info: stamps.append(info['source_timestamp']), DEEP
    )
    bench.until(lambda: publisher.get_subscription_count() == 3)
    names = [f'bed {number}' for number in range(50)]
    for name in names:
        publisher.publish(String(data=name))
    bench.until(lambda: len(plain) == len(raw) == len(stamps) == 50)
    assert plain == names
    assert raw[7][:12] == serialize_message(String(data='bed 7'))[:12]
    assert stamps == sorted(stamps)


def test_timers_call_until_they_are_cancelled_or_destroyed(bench: Bench) -> None:
    """Also one that cancels itself, and that is reset."""
    calls: list[str] = []

    def once() -> None:
        calls.append('once')
        single.cancel()

    single = bench.node.create_timer(0.001, once)
    other = bench.node.create_timer(0.002, lambda: calls.append('other'))
    bench.until(lambda: calls.count('other') > 5)
    assert calls.count('once') == 1
    bench.node.destroy_timer(other)
    calls.clear()
    third = bench.node.create_timer(0.002, lambda: calls.append('third'))
    bench.until(lambda: len(calls) > 5)
    assert set(calls) == {'third'}
    bench.node.destroy_timer(third)
    calls.clear()
    single.reset()
    bench.until(lambda: calls == ['once'])


@pytest.mark.skipif(
    not hasattr(rclpy.timer, 'TimerInfo'), reason='the timers of this rclpy do not tell when'
)
def test_a_timer_tells_when_it_was_called(bench: Bench) -> None:
    """A callback with an argument gets the instants of its call."""
    infos: list[rclpy.timer.TimerInfo] = []

    def informed(info: rclpy.timer.TimerInfo) -> None:
        infos.append(info)

    bench.node.create_timer(0.002, informed)
    bench.until(lambda: len(infos) > 5)
    calls = [info.actual_call_time.nanoseconds for info in infos]
    assert calls == sorted(calls)


def test_services_clients_and_coroutines_answer(bench: Bench) -> None:
    """A plain service, and one that waits for it in a callback group of its own."""
    group = rclpy.callback_groups.ReentrantCallbackGroup()

    def water(_: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        response.message = 'watered'
        return response

    async def relay(request: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        answer = await inner.call_async(request)
        assert answer is not None
        response.message = f'{answer.message} for you'
        return response

    bench.node.create_service(Trigger, 'water', water)
    bench.node.create_service(Trigger, 'relay', relay, callback_group=group)
    inner: TriggerClient = bench.node.create_client(Trigger, 'water', callback_group=group)
    outer: TriggerClient = bench.node.create_client(Trigger, 'relay')
    bench.until(lambda: inner.service_is_ready() and outer.service_is_ready())
    for _ in range(3):
        future = outer.call_async(Trigger.Request())
        bench.executor.spin_until_future_complete(future, PATIENCE)
        answer = future.result()
        assert answer is not None
        assert answer.message == 'watered for you'


def test_parameters_can_be_read_from_outside(bench: Bench) -> None:
    """`ros2 param` asks these services."""
    bench.node.declare_parameter('rate', 100.0)
    client = AsyncParameterClient(bench.node, 'planter')
    bench.until(client.services_are_ready)
    future = client.get_parameters(['rate'])
    bench.executor.spin_until_future_complete(future, PATIENCE)
    answer = future.result()
    assert answer is not None
    assert answer.values[0].double_value == 100.0
    bench.node.set_parameters([Parameter('rate', value=50.0)])
    assert bench.node.get_parameter('rate').value == 50.0


def test_guard_conditions_tasks_and_events_are_called(bench: Bench) -> None:
    """All that is neither message, timer nor service."""
    seen: list[Any] = []
    guard = bench.node.create_guard_condition(lambda: seen.append('guard'))
    bench.executor.spin_once(timeout_sec=0.0)
    guard.trigger()
    bench.until(lambda: seen == ['guard'])
    task = bench.executor.create_task(lambda: seen.append('task'))
    bench.until(task.done)
    assert seen == ['guard', 'task']
    events = PublisherEventCallbacks(matched=lambda info: seen.append(info.current_count))
    bench.node.create_publisher(String, 'beds', DEEP, event_callbacks=events)
    bench.node.create_subscription(String, 'beds', lambda _: None, DEEP)
    bench.until(lambda: seen[2:] == [1])


def test_entities_and_nodes_come_and_go(bench: Bench) -> None:
    """While the executor spins, from within a callback and from another thread."""
    calls: list[str] = []
    late = rclpy.create_node('late')

    def grow() -> None:
        timer.cancel()
        bench.node.create_timer(0.001, lambda: calls.append('grown'))

    timer = bench.node.create_timer(0.001, grow)
    bench.until(lambda: 'grown' in calls)
    late.create_timer(0.001, lambda: calls.append('late'))
    adding = Thread(target=bench.executor.add_node, args=(late,))
    adding.start()
    bench.until(lambda: 'late' in calls)
    adding.join()
    bench.executor.remove_node(late)
    late.destroy_node()
    bench.executor.spin_once(timeout_sec=0.0)
    calls.clear()
    bench.until(lambda: calls.count('grown') > 5)
    assert 'late' not in calls


def test_an_error_in_a_callback_reaches_whoever_spins(bench: Bench) -> None:
    """And the executor goes on after it."""
    calls: list[int] = []

    def fail() -> None:
        calls.append(len(calls))
        if len(calls) == 1:
            raise ZeroDivisionError

    bench.node.create_timer(0.001, fail)
    with pytest.raises(ZeroDivisionError):
        bench.until(lambda: len(calls) > 1)
    bench.until(lambda: len(calls) > 3)


def test_waits_no_longer_than_told(bench: Bench) -> None:
    """Without anything to call a spin ends, and not before its time."""
    bench.until(lambda: True)
    bench.executor.spin_once(timeout_sec=0.0)
    start = monotonic()
    bench.executor.spin_once(timeout_sec=0.05)
    bench.executor.spin_until_future_complete(Future(), 0.05)
    assert monotonic() - start >= 0.05


def test_a_future_done_by_another_thread_ends_the_spin(bench: Bench) -> None:
    """As a signal does in `process.run`."""
    future: Future[None] = Future()
    setting = Thread(target=future.set_result, args=(None,))
    bench.node.create_timer(0.01, lambda: None if setting.ident else setting.start())
    bench.executor.spin_until_future_complete(future)
    setting.join()
    assert future.done()


def test_a_callback_may_spin(bench: Bench) -> None:
    """Then only what its group lets in is called meanwhile."""
    calls: list[str] = []

    def spin() -> None:
        nesting.cancel()
        calls.append('in')
        bench.executor.spin_until_future_complete(Future(), 0.02)
        calls.append('out')

    group = rclpy.callback_groups.MutuallyExclusiveCallbackGroup()
    nesting = bench.node.create_timer(0.001, spin)
    bench.node.create_timer(0.001, lambda: calls.append('same group'))
    bench.node.create_timer(0.001, lambda: calls.append('own group'), callback_group=group)
    bench.until(lambda: 'out' in calls)
    within = calls[calls.index('in') : calls.index('out')]
    assert 'own group' in within
    assert 'same group' not in within


def test_a_shutdown_of_the_context_ends_the_spin(bench: Bench) -> None:
    """As by the handlers of signals that rclpy has."""
    context = rclpy.context.Context()
    rclpy.init(context=context)
    executor = type(bench.executor)(context=context)
    node: Node = rclpy.create_node('short', context=context)
    executor.add_node(node)
    node.create_timer(0.001, context.try_shutdown)
    executor.spin_until_future_complete(Future())
    assert not context.ok()
    executor.shutdown()
    node.destroy_node()
