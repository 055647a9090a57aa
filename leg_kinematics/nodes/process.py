# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Running nodes in a process: one executor, clean ends, errors as text and exit code."""

import signal
import sys
from collections.abc import Callable, Sequence

import rclpy
from rclpy.executors import ExternalShutdownException, SingleThreadedExecutor
from rclpy.impl.implementation_singleton import rclpy_implementation
from rclpy.node import Node

from leg_kinematics.errors import LegKinematicsError

EXIT_ERROR = 2

RCLError = rclpy_implementation.RCLError


def run(factories: Sequence[Callable[[], Node]], arguments: Sequence[str] | None = None) -> int:
    """Make nodes and spin them in one single-threaded executor until told to stop.

    Parameters
    ----------
    factories
        Each makes one node.
    arguments
        ROS arguments; the command line when None.

    Returns
    -------
    int
        Exit code: 0 after SIGINT or SIGTERM, 2 when a file, parameter or board is wrong.

    """
    rclpy.init(args=None if arguments is None else list(arguments))
    nodes: list[Node] = []
    executor = SingleThreadedExecutor()
    try:
        for factory in factories:
            nodes.append(factory())
            executor.add_node(nodes[-1])
        executor.spin()
    except (KeyboardInterrupt, ExternalShutdownException):
        return 0
    except RCLError:
        # A signal shuts ROS down even beneath a callback that is about to publish.
        if rclpy.ok():
            raise
        return 0
    except LegKinematicsError as error:
        sys.stderr.write(f'{error}\n')
        return EXIT_ERROR
    finally:
        _end(executor, nodes)
    return 0


def _end(executor: SingleThreadedExecutor, nodes: Sequence[Node]) -> None:
    """Destroy everything, even when a second interrupt arrives meanwhile, or right after it."""
    finishes: list[Callable[[], object]] = [node.destroy_node for node in nodes]
    for finish in (*finishes, executor.shutdown, rclpy.try_shutdown):
        try:
            finish()
        except KeyboardInterrupt:
            finish()
    # Shutting down gave the signals back to Python, whose default would spoil the exit code.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
