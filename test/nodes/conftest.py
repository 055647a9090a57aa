# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""One node of the chain in this process, and a probe that speaks to it and listens."""

import gc
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from time import monotonic
from typing import Any

import pytest
import rclpy
from diagnostic_msgs.msg import DiagnosticArray
from rclpy.client import Client
from rclpy.executors import SingleThreadedExecutor
from rclpy.node import Node
from rclpy.qos import QoSProfile

from leg_kinematics.calibration import ServoMaps, load_servo_maps
from leg_kinematics.nodes.translation import qos
from leg_kinematics.robot import Robot, load_robot
from leg_kinematics.solver import LegSolver, leg_solvers

NAMESPACE = '/greenhouse'
PATIENCE = 60.0

CONFIG = Path(__file__).parents[2] / 'config'


@pytest.fixture(scope='session')
def nodes_yaml() -> Path:
    """Return the example parameters."""
    return CONFIG / 'nodes.yaml'


@pytest.fixture(scope='session')
def files() -> dict[str, str]:
    """Name the files of the example robot as the parameters of every node do."""
    return {
        'robot': str(CONFIG / 'robots' / 'bracken.yaml'),
        'servo_maps': str(CONFIG / 'servo_maps' / 'bracken.yaml'),
    }


@pytest.fixture(scope='session')
def bracken(files: dict[str, str]) -> Robot:
    """Return the example robot."""
    return load_robot(files['robot'])


@pytest.fixture(scope='session')
def servo_maps(files: dict[str, str], bracken: Robot) -> ServoMaps:
    """Return its servo maps."""
    return load_servo_maps(files['servo_maps'], bracken)


@pytest.fixture(scope='session')
def bracken_legs(bracken: Robot, servo_maps: ServoMaps) -> tuple[LegSolver, ...]:
    """Solve its legs within the ranges of its servo maps."""
    return leg_solvers(bracken, {each.joint: each.angle_range for each in servo_maps.maps})


class Probe:
    """A node beside the one under test, in the same executor.

    Attributes
    ----------
    node
        For whatever shall be sent or heard.
    states
        Level and message of each node's status, every one of them in order, by node name.
    values
        The latest values of each node's status.

    """

    def __init__(self) -> None:
        """Join the graph."""
        self.node = rclpy.create_node('probe')
        self.executor = SingleThreadedExecutor()
        self._nodes = [self.node]
        self.executor.add_node(self.node)
        self.states: dict[str, list[tuple[bytes, str]]] = {}
        self.values: dict[str, dict[str, str]] = {}
        self.node.create_subscription(DiagnosticArray, '/diagnostics', self._on_diagnostics, 100)

    def _on_diagnostics(self, message: DiagnosticArray) -> None:
        for status in message.status:
            name = status.name.removeprefix(f'{NAMESPACE}/')
            self.states.setdefault(name, []).append((status.level, status.message))
            self.values[name] = {value.key: value.value for value in status.values}

    def add(self, node: Node) -> None:
        """Spin a node as well, and destroy it in the end."""
        self._nodes.append(node)
        self.executor.add_node(node)

    def close(self) -> None:
        """Leave the graph, with all that the nodes have in it.

        The services of a life cycle outlive their destroyed node until its remains are collected.
        Left to chance that comes in the middle of a later test, which may then have half a service
        in its graph; rmw_fastrtps counts the halves, and takes no service of that name for ready.
        """
        self.executor.shutdown()
        while self._nodes:
            self._nodes.pop().destroy_node()
        # It remembers what it called last, and that is a part of a node.
        del self.executor
        gc.collect()

    def until(self, condition: Callable[[], object], what: str) -> None:
        """Spin until something has happened."""
        end = monotonic() + PATIENCE
        while not condition():
            assert monotonic() < end, f'waited in vain for {what}; the nodes say {self.latest()}'
            self.executor.spin_once(timeout_sec=0.1)

    def latest(self) -> dict[str, tuple[bytes, str]]:
        """Return the latest state of each node."""
        return {name: states[-1] for name, states in self.states.items()}

    def publisher(self, kind: type[Any], topic: str, profile: QoSProfile = qos.PUBLISHED) -> Any:  # noqa: ANN401
        """Return a publisher that the node under test hears already."""
        publisher = self.node.create_publisher(kind, topic, profile)
        self.until(lambda: publisher.get_subscription_count() > 0, f'a subscriber of {topic}')
        return publisher

    def record(self, kind: type[Any], topic: str, profile: Any = 1000) -> list[Any]:  # noqa: ANN401
        """Return a list that fills with what the node under test says from now on."""
        heard: list[Any] = []
        self.node.create_subscription(kind, topic, heard.append, profile)
        self.until(lambda: self.node.count_publishers(topic) > 0, f'a publisher of {topic}')
        return heard

    def call(self, kind: type[Any], name: str, request: object) -> Any:  # noqa: ANN401
        """Call a service and return its response."""
        client: Client[Any, Any] = self.node.create_client(kind, name)
        self.until(client.service_is_ready, f'service {name}')
        future = client.call_async(request)
        self.until(future.done, f'an answer of {name}')
        self.node.destroy_client(client)
        return future.result()

    def wait_for(self, node: str, message: str) -> bytes:
        """Spin until the latest status of a node has this message; returns its level."""
        return self._wait_for(node, lambda latest: latest == message, message)

    def wait_for_words(self, node: str, words: str) -> bytes:
        """Spin until the latest status of a node has these words in it; returns its level."""
        return self._wait_for(node, lambda latest: words in latest, words)

    def _wait_for(self, node: str, suits: Callable[[str], bool], what: str) -> bytes:
        self.until(lambda: suits(self.latest().get(node, (b'', ''))[1]), f'{what!r} of {node}')
        return self.latest()[node][0]


@contextmanager
def joined(*arguments: str) -> Iterator[Probe]:
    """Start rclpy with arguments and a probe; afterwards it may be started again."""
    rclpy.init(args=['--ros-args', '-r', f'__ns:={NAMESPACE}', *arguments])
    probe = Probe()
    yield probe
    probe.close()
    rclpy.shutdown()


@pytest.fixture
def join() -> Callable[..., AbstractContextManager[Probe]]:
    """Return what starts rclpy, once after another."""
    return joined


@pytest.fixture
def ros() -> Iterator[None]:
    """Start rclpy in the namespace of the tests."""
    rclpy.init(args=['--ros-args', '-r', f'__ns:={NAMESPACE}'])
    yield
    rclpy.shutdown()


@pytest.fixture
def probe(ros: None) -> Iterator[Probe]:  # noqa: ARG001
    """Listen and speak beside the node under test."""
    probe = Probe()
    yield probe
    probe.close()
