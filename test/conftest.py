# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""A ROS 2 graph of its own for every test session, and the examples of property tests.

Two sessions on one machine must not hear each other, nor a robot on the network, and their logs
do not belong in anybody's home folder. The environment is set before any test, so that the
processes a test starts inherit it.

Property tests see the same examples in every run. `make soak` asks for fresh ones, and twenty times
as many: what it finds is written down as an `@example` of its test. An expensive test takes a
share of `settings().max_examples`, which is that of the profile. No example is judged by the time
that it takes.
"""

import fcntl
import os
import random
import tempfile
from contextlib import ExitStack
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis.internal.conjecture import providers

pytest_plugins = [
    'cable',
    'namespaces',
    'simulated_chip',
    'simulated_firmata',
    'two_lines',
    'walk_record',
    'witness',
]

# Above 101 the ports of a domain meet the ephemeral ports of Linux (ROS 2, "The ROS_DOMAIN_ID").
DOMAINS = range(1, 102)

THIS_MACHINE = Path(__file__).parents[1] / 'config' / 'network' / 'this_machine.xml'

_session = pytest.StashKey[ExitStack]()

# How long an example takes, and how many are filtered out on the way to it, judges no test.
_untimed = settings(
    deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much]
)
settings.register_profile('fixed', _untimed, derandomize=True, database=None)
settings.register_profile('fresh', _untimed, max_examples=2000, derandomize=False)
# Hypothesis also tries constants that it finds in the modules that are loaded just then. Which
# these are depends on the tests before, and what is in them on every change of the code.
_no_constants = providers._local_constants  # noqa: SLF001
providers._get_local_constants = lambda: _no_constants  # noqa: SLF001
# Before the test modules, which ask for shares of it; `--hypothesis-profile` comes later, and wins.
settings.load_profile('fixed')


def pytest_configure(config: pytest.Config) -> None:
    """Claim a domain, stay on this machine and log to a folder that ends with the session."""
    stack = config.stash[_session] = ExitStack()
    os.environ['ROS_DOMAIN_ID'] = str(_claim_domain(stack))
    # Not by ROS_AUTOMATIC_DISCOVERY_RANGE: on LOCALHOST Fast DDS shares memory, which stalls.
    os.environ['FASTDDS_DEFAULT_PROFILES_FILE'] = str(THIS_MACHINE)
    os.environ['ROS_LOG_DIR'] = stack.enter_context(tempfile.TemporaryDirectory())


def pytest_unconfigure(config: pytest.Config) -> None:
    """Give the domain back."""
    config.stash[_session].close()


def _claim_domain(stack: ExitStack) -> int:
    """Return a domain that no other session of these tests holds; the stack holds its lock."""
    for domain in random.sample(DOMAINS, len(DOMAINS)):
        path = Path(tempfile.gettempdir(), f'leg_kinematics-domain-{domain}.lock')
        lock = stack.enter_context(path.open('w'))
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            continue
        return domain
    message = (
        f'all ROS 2 domains from {DOMAINS[0]} to {DOMAINS[-1]} are held by other test sessions'
    )
    raise pytest.UsageError(message)
