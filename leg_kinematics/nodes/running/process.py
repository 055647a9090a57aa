# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Running nodes in a process: one executor, clean ends, errors as text and exit code."""

import gc
import os
import signal
import socket
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from threading import Thread

import rclpy
from rclpy.node import Node
from rclpy.signals import SignalHandlerOptions
from rclpy.task import Future

from leg_kinematics.errors import CommandError, LegKinematicsError
from leg_kinematics.nodes.running.executor import LeanExecutor
from leg_kinematics.nodes.running.transport import RCLError, prefer_sockets

EXIT_ERROR = 2


def run(make: Callable[[], Iterable[Node]], arguments: Sequence[str] | None = None) -> int:
    """Make nodes and spin them in one single-threaded executor until SIGINT or SIGTERM.

    Parameters
    ----------
    make
        Makes the nodes, one after another.
    arguments
        ROS arguments; the command line when None.

    Returns
    -------
    int
        Exit code: 0 after SIGINT or SIGTERM, 2 when a file, parameter or board is wrong.

    """
    code = 0
    stop: Future[None] = Future()
    prefer_sockets()
    with _signals_to(stop):
        try:
            rclpy.init(
                args=None if arguments is None else list(arguments),
                signal_handler_options=SignalHandlerOptions.NO,
            )
        except RCLError as error:
            sys.stderr.write(f'ROS 2 does not start, or its arguments are wrong: {error}\n')
            return EXIT_ERROR
        executor = LeanExecutor()
        nodes: list[Node] = []
        try:
            try:
                for node in make():
                    nodes.append(node)
                    executor.add_node(node)
            except RCLError as error:
                raise CommandError(f'ROS 2 does not make the node: {error}') from error
            # What is there now stays: looking through it again took up to four ticks at a time.
            gc.collect()
            gc.freeze()
            executor.spin_until_future_complete(stop)
        except LegKinematicsError as error:
            sys.stderr.write(f'{error}\n')
            code = EXIT_ERROR
        finally:
            executor.shutdown()
            gc.unfreeze()
            for node in nodes:
                node.destroy_node()
            # A node whose construction failed goes while its context is still there.
            gc.collect()
            rclpy.try_shutdown()
    return code


@contextmanager
def _signals_to(stop: 'Future[None]') -> Iterator[None]:
    """Let SIGINT and SIGTERM complete a future, between two callbacks, however often they come.

    As exceptions they would break into whatever runs, a callback or the clean-up; and rclpy's own
    handlers take the context away from under a callback that is publishing.
    """
    heard, told = socket.socketpair()
    os.set_blocking(told.fileno(), False)
    signal.set_wakeup_fd(told.fileno())
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: None)

    def listen() -> None:
        if heard.recv(1):
            stop.set_result(None)

    listener = Thread(target=listen, name='signals', daemon=True)
    listener.start()
    try:
        yield
    finally:
        # At its end Python gives the signals back to their defaults; a late one is no error.
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, signal.SIG_IGN)
        signal.set_wakeup_fd(-1)
        told.close()
        listener.join()
        heard.close()
