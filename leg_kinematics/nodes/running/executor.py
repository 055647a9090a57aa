# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""An executor that looks through its nodes only when they have changed."""

from collections import Counter, deque
from collections.abc import Callable
from contextlib import ExitStack, suppress
from inspect import iscoroutinefunction, signature
from threading import Lock
from time import monotonic_ns
from typing import Any, Literal, cast

from rclpy.context import Context
from rclpy.event_handler import EventHandler
from rclpy.exceptions import InvalidHandle
from rclpy.executors import ExternalShutdownException, SingleThreadedExecutor, TimeoutObject
from rclpy.guard_condition import GuardCondition
from rclpy.impl.implementation_singleton import rclpy_implementation
from rclpy.node import Node
from rclpy.service import Service
from rclpy.subscription import Subscription
from rclpy.timer import Timer
from rclpy.utilities import timeout_sec_to_nsec
from rclpy.waitable import NumberOfEntities, Waitable

#: What calls the callback of an entity that is ready.
Call = Callable[[], None]

Kind = Literal['timer', 'subscription', 'guard_condition', 'client', 'service']

KINDS: tuple[Kind, ...] = ('timer', 'subscription', 'guard_condition', 'client', 'service')


#: Between two waits that look for events of publishers and subscriptions as well, ns.
EVENTS_EVERY = 500_000_000

#: So long a request about parameters or types is left alone, at most twice, ns.
PATIENT_FOR = 50_000_000

#: Packages whose services every node offers and that nobody waits for while a robot walks.
PATIENT = ('rcl_interfaces', 'type_description_interfaces')


class LeanExecutor(SingleThreadedExecutor):
    """Does what rclpy's single-threaded executor does, at a fraction of the processor time.

    rclpy collects all entities of all nodes anew for every callback, makes a task of each callback
    and wakes itself twice for each. Here the entities are collected when a node or an entity comes
    or goes, all that is ready after a wait is called before the next one, and an ordinary callback
    of a timer, a subscription or a service is simply called. All else (clients, guard conditions,
    waitables, coroutines, tasks) goes the way of rclpy, whose wait also takes over for as long as
    a task is unfinished.

    The events of publishers and subscriptions (another quality of service, another type) only tell
    of what lasts: they are looked for now and then, since most of the time of a wait goes to them.
    So are requests about parameters, two thirds of all that a node could be asked.

    A callback that is exchanged on the entity itself is not seen.
    """

    def __init__(self, *, context: Context | None = None) -> None:
        """Begin without nodes."""
        self._stale = True
        self._calling = False
        self._waiting = Lock()
        self._held = ExitStack()
        self._handles: list[tuple[Kind, Any]] = []
        self._adds: list[tuple[Callable[[Any], object], Any]] = []
        self._patient_adds: list[tuple[Callable[[Any], object], Any]] = []
        self._patient: set[int] = set()
        self._next_patient = 0
        self._calls: dict[Kind, dict[int, Call]] = {}
        self._guards: list[GuardCondition] = []
        self._waitables: list[tuple[Waitable[Any], Call]] = []
        self._events: list[tuple[Waitable[Any], Call]] = []
        self._next_events = 0
        self._ready: deque[Call] = deque()
        super().__init__(context=context)

    def wake(self) -> None:
        """Wake the executor because an entity has come or gone, or a future is done."""
        self._stale = True
        super().wake()

    def add_node(self, node: Node) -> bool:
        """Add a node whose callbacks shall be called."""
        self._stale = True
        return super().add_node(node)

    def remove_node(self, node: Node) -> None:
        """Call the callbacks of a node no more."""
        self._stale = True
        super().remove_node(node)

    def shutdown(self, timeout_sec: float | None = None) -> bool:
        """Call nothing more, and let go of everything."""
        done = super().shutdown(timeout_sec)
        with self._waiting:
            self._held.close()
        self._ready.clear()
        return done

    def _spin_once_impl(
        self,
        timeout_sec: float | TimeoutObject | None = None,
        wait_condition: Callable[[], bool] = lambda: False,
    ) -> None:
        """Call one callback, after waiting for it if need be."""
        with self._tasks_lock:
            self._tasks = [each for each in self._tasks if not each[0].done()]
        if self._stale or self._tasks or self._calling:
            # What else is ready, and still there, is found again.
            self._ready.clear()
        if self._tasks or self._calling:
            super()._spin_once_impl(timeout_sec, wait_condition)
            return
        self._cb_iter = None
        if not self._ready:
            seconds = timeout_sec.timeout if isinstance(timeout_sec, TimeoutObject) else timeout_sec
            self._wait(timeout_sec_to_nsec(seconds), wait_condition)
        if self._ready and not self._stale:
            self._calling = True
            try:
                self._ready.popleft()()
            finally:
                self._calling = False

    def _wait(self, timeout: int, condition: Callable[[], bool]) -> None:
        """Wait until a callback is ready, for at most so many ns; for ever if it is negative."""
        end = monotonic_ns() + timeout
        left = timeout
        while not (self._ready or self._tasks or self._is_shutdown or condition()):
            with self._waiting:
                if not self._wait_once(left):
                    return
            if timeout >= 0 and (left := end - monotonic_ns()) <= 0:
                return

    def _wait_once(self, timeout: int) -> bool:
        """Fill the wait set, wait, and note what is ready; False once there is nothing to do."""
        if self._stale:  # the end of the context wakes the executor too
            if not self._context.ok():
                raise ExternalShutdownException
            self._collect()
        wait_set = self._wait_set
        waitables, timeout = self._fill(wait_set, timeout)
        wait_set.wait(timeout)
        if self._is_shutdown:
            return False
        self._ready.extend(call for each, call in waitables if each.is_ready(wait_set))
        for kind, calls in self._calls.items():
            pointers = wait_set.get_ready_entities(kind)
            self._ready.extend(calls[pointer] for pointer in pointers if pointer in calls)
        for guard in self._guards:
            if guard.handle.pointer in wait_set.get_ready_entities('guard_condition'):
                # The wait has reset it: it is triggered again if it cannot be called now.
                guard._executor_triggered = True  # noqa: SLF001
        return True

    def _fill(
        self,
        wait_set: Any,  # noqa: ANN401
        timeout: int,
    ) -> 'tuple[list[tuple[Waitable[Any], Call]], int]':
        """Give the wait set what is looked for this time; return the waitables, and for how long.

        It is shorter than asked while something that can become ready is left out.
        """
        now = monotonic_ns()
        wait_set.clear_entities()
        for add, handle in self._adds:
            add(handle)
        if now >= self._next_patient:
            self._next_patient = now + PATIENT_FOR
            for add, handle in self._patient_adds:
                add(handle)
        else:
            timeout = PATIENT_FOR if timeout < 0 else min(timeout, PATIENT_FOR)
        waitables = self._waitables
        if now >= self._next_events:
            self._next_events = now + EVENTS_EVERY
            waitables = [*waitables, *self._events]
        for waitable, _ in waitables:
            waitable.add_to_wait_set(wait_set)
        return waitables, timeout

    def _collect(self) -> None:
        """Look through the nodes for what can become ready, and hold on to it."""
        self._stale = False
        self._held.close()
        self._handles = []
        self._calls = {kind: {} for kind in KINDS}
        self._guards = []
        self._waitables = []
        self._events = []
        self._patient = set()
        self._next_events = self._next_patient = 0
        for node in self.get_nodes():
            self._collect_from(node)
        for own in (self._guard, self._sigint_gc):
            if own is not None:
                self._hold('guard_condition', own, None)
        waitables = (each for each, _ in (*self._waitables, *self._events))
        count = sum((each.get_num_entities() for each in waitables), NumberOfEntities())
        kinds = Counter(kind for kind, _ in self._handles)
        self._wait_set = rclpy_implementation.WaitSet(
            count.num_subscriptions + kinds['subscription'],
            count.num_guard_conditions + kinds['guard_condition'],
            count.num_timers + kinds['timer'],
            count.num_clients + kinds['client'],
            count.num_services + kinds['service'],
            count.num_events,
            cast('Any', self._context.handle),
        )
        self._adds, self._patient_adds = [], []
        for kind, handle in self._handles:
            patient = kind == 'service' and handle.pointer in self._patient
            adds = self._patient_adds if patient else self._adds
            adds.append((getattr(self._wait_set, f'add_{kind}'), handle))

    def _collect_from(self, node: Node) -> None:
        for waitable in node.waitables:
            with suppress(InvalidHandle):
                self._held.enter_context(waitable)
                call = self._by_rclpy(waitable, node, self._take_waitable)
                kept = self._events if isinstance(waitable, EventHandler) else self._waitables
                kept.append((waitable, call))
        for timer in node.timers:
            self._hold('timer', timer, self._call_of_timer(timer, node))
        for subscription in node.subscriptions:
            self._hold('subscription', subscription, self._call_of_subscription(subscription, node))
        for guard in node.guards:
            if guard._executor_triggered:  # noqa: SLF001
                guard.trigger()
            self._guards.append(guard)
            call = self._by_rclpy(guard, node, self._take_guard_condition)
            self._hold('guard_condition', guard, call)
        for client in node.clients:
            self._hold('client', client, self._by_rclpy(client, node, self._take_client))
        for service in node.services:
            if service.srv_type.__module__.startswith(PATIENT):
                self._patient.add(service.handle.pointer)
            self._hold('service', service, self._call_of_service(service, node))

    def _hold(self, kind: Kind, entity: Any, call: Call | None) -> None:  # noqa: ANN401
        """Keep an entity from being destroyed while it is waited for."""
        with suppress(InvalidHandle):
            self._held.enter_context(entity.handle)
            self._handles.append((kind, entity.handle))
            if call is not None:
                self._calls[kind][entity.handle.pointer] = call

    def _by_rclpy(self, entity: Any, node: Node, take: Callable[[Any], Any]) -> Call:  # noqa: ANN401
        """Call it as a task, as rclpy does."""

        def call() -> None:
            task = self._make_handler(entity, node, take)
            task()
            if task.done():
                task.result()

        return call

    def _in_group(self, entity: Any, work: Call) -> Call:  # noqa: ANN401
        """Keep what excludes the entity from being called meanwhile."""
        group = entity.callback_group

        def call() -> None:
            if group.beginning_execution(entity):
                try:
                    work()
                finally:
                    group.ending_execution(entity)

        return call

    def _call_of_timer(self, timer: Timer, node: Node) -> Call:
        callback = timer.callback
        # One that takes something asks for the times of its call.
        if callback is None or iscoroutinefunction(callback) or signature(callback).parameters:
            return self._by_rclpy(timer, node, self._take_timer)
        handle, plain = timer.handle, cast('Call', callback)

        def work() -> None:
            if handle.is_timer_ready():  # nobody has cancelled it meanwhile
                handle.call_timer()
                plain()

        return self._in_group(timer, work)

    def _call_of_subscription(self, subscription: 'Subscription[Any]', node: Node) -> Call:
        if iscoroutinefunction(subscription.callback):
            return self._by_rclpy(subscription, node, self._take_subscription)
        with_info = (
            subscription._callback_type is Subscription.CallbackType.WithMessageInfo  # noqa: SLF001
        )
        take = subscription.handle.take_message

        def work() -> None:
            taken = take(subscription.msg_type, subscription.raw)
            if taken is not None:
                subscription.callback(*(taken if with_info else taken[:1]))

        return self._in_group(subscription, work)

    def _call_of_service(self, service: 'Service[Any, Any]', node: Node) -> Call:
        if iscoroutinefunction(service.callback):
            return self._by_rclpy(service, node, self._take_service)

        def work() -> None:
            request, header = service.handle.service_take_request(service.srv_type.Request)
            if header is not None:
                response = service.callback(request, service.srv_type.Response())
                service.send_response(response, header)

        return self._in_group(service, work)
