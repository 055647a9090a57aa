# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Both ends of the link as processes without ROS, for campaigns: what they see, line by line.

    ends.py robot KEYS NAME ADDRESS
    ends.py driver KEYS NAME ROBOT@ADDRESS...

Every line that they say is a JSON list that begins with an instant of the machine's steady clock,
s, and what it is about. A driver obeys lines such as `hold`, `let go` and `stand`, about the first
robot. At its end each tells its processor time, s.
"""

import json
import select
import sys
import time
from collections.abc import Callable
from pathlib import Path
from time import monotonic, process_time

from leg_kinematics.chain.values import Answer
from leg_kinematics.errors import CommandError
from leg_kinematics.gait import Twist
from leg_kinematics.remote.driving import RemoteRobots
from leg_kinematics.remote.holding import RATE, Holding
from leg_kinematics.remote.keys import KeyFolder, Role
from leg_kinematics.remote.link import DriverLink, RobotLink, start_of_beats
from leg_kinematics.remote.words import Order, State
from leg_kinematics.teleop.steering import Wanted

#: Between two looks, s: those of the node and of the terminal.
ROBOT_LOOKS, DRIVER_LOOKS = 0.02, 0.005


def say(about: str, *what: object) -> None:
    """Say something."""
    sys.stdout.write(json.dumps([monotonic(), about, *what]) + '\n')
    sys.stdout.flush()


class Changes:
    """Says a value whenever it is another than before."""

    def __init__(self, about: str) -> None:
        """Have said nothing."""
        self._about = about
        self._said: object = None

    def see(self, value: object) -> None:
        """Take the value of now."""
        if value != self._said:
            self._said = value
            say(self._about, value)


def robot(keys: Path, name: str, address: str) -> None:
    """Be the robot's end until the input says something."""
    key = KeyFolder.load(keys / name, Role.ROBOT)
    link, holding = RobotLink(key, key.register(), address), Holding(start_of_beats())
    moves, linked, told_at = Changes('moves'), Changes('linked'), 0.0
    ages: list[int] = []
    say('there')
    begun = monotonic()
    while not select.select([sys.stdin], [], [], ROBOT_LOOKS)[0]:
        now = monotonic()
        for driver, word in link.words():
            assert not isinstance(word, CommandError)
            if holding.hear(driver, word, now):
                ages.append(holding.beat(now) - word.beat)
        for _, order, answer in link.orders():
            assert not isinstance(order, CommandError)
            refusal = holding.refusal_of_order(order, now)
            answer(Answer(success=not refusal, words=refusal or 'done'))
        moves.see(bool(holding.step(now)))
        linked.see(len(link.linked))
        if now - told_at >= 1.0 / RATE:
            told_at = now
            state = holding.state(now)
            nodes = {'gait': 'standing', 'bridge': 'active', 'arbiter': 'nobody drives'}
            told = State(
                state.beat, state.driver, state.ended, state.why, nodes, (1.0, 2.0, 0.5), Twist()
            )
            link.tell(told)
    say('ages', ages)
    say('share', process_time() / (monotonic() - begun))
    link.close()


def driver(keys: Path, name: str, *robots: str) -> None:
    """Be the driver's end until the input ends."""
    key = KeyFolder.load(keys / name, Role.DRIVER)
    identities = key.register().robots
    addresses = dict(each.split('@') for each in robots)
    link = DriverLink(key, {identities[each]: addresses[each] for each in addresses})
    ordered: dict[str, float] = {}

    def told(_: str, order: str, answer: Answer) -> None:
        say('answer', order, answer.success, answer.words, monotonic() - ordered[order])

    everybody = RemoteRobots(
        link, key.identity, {each: identities[each] for each in addresses}, told
    )
    first = everybody.robots[next(iter(addresses))]
    held, hears, ended = False, Changes('hears'), Changes('ended')
    begun = monotonic()
    say('there')
    while True:
        if select.select([sys.stdin], [], [], 0.0)[0]:
            line = sys.stdin.readline().strip()
            if not line:
                break
            if line in {'hold', 'let go'}:
                held = line == 'hold'
                say(line)
            else:
                ordered[line] = monotonic()
                first.order(Order(line), monotonic())
        everybody.step(monotonic)
        now = monotonic()
        hears.see(sum(each.state(now) is not None for each in everybody.robots.values()))
        ended.see(first.send(Wanted(Twist(0.03) if held else Twist()), now, held=held))
        time.sleep(DRIVER_LOOKS)
    say('share', process_time() / (monotonic() - begun))
    everybody.close()


ROLES: dict[str, Callable[..., None]] = {'robot': robot, 'driver': driver}

if __name__ == '__main__':
    ROLES[sys.argv[1]](Path(sys.argv[2]), *sys.argv[3:])
