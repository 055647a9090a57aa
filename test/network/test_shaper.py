# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The bad link of the campaigns really loses, delays and cuts what is sent to and fro."""

import json
import subprocess
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from test.namespaces import Machines
    from test.network.shaper import shaped
else:
    from network.shaper import shaped

#: Sends numbered datagrams to whoever sends them back, and tells how long each was away, s.
ASK = """
import json, socket, sys
from time import monotonic, sleep
line = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
line.connect(('10.77.0.2', 5000))
line.settimeout(0.2)
away = []
for number in range(int(sys.argv[1])):
    sent = monotonic()
    line.send(b'%d' % number)
    try:
        while line.recv(100) != b'%d' % number:
            pass
        away.append(monotonic() - sent)
    except OSError:
        away.append(None)
print(json.dumps(away))
"""
ECHO = """
import socket
line = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
line.bind(('10.77.0.2', 5000))
print('ready', flush=True)
while True:
    line.sendto(*line.recvfrom(100))
"""


def test_it_does_what_it_is_told(machines: 'Machines') -> None:
    """Losses are those of both ways, 1 - 0.8² = 36 %; a delay counts twice; a cut is whole."""
    robot, laptop = machines.machine('robot'), machines.machine('laptop')
    with shaped((robot, 'radio0'), (laptop, 'radio0')) as link:
        robot.address('radio0', '10.77.0.1/24')
        laptop.address('radio0', '10.77.0.2/24')
        echo = subprocess.Popen(
            laptop.command(sys.executable, '-c', ECHO), stdout=subprocess.PIPE, text=True
        )
        assert echo.stdout is not None
        assert echo.stdout.readline() == 'ready\n'

        def away(asked: int) -> list[float | None]:
            done = subprocess.run(
                robot.command(sys.executable, '-c', ASK, str(asked)),
                stdout=subprocess.PIPE,
                text=True,
                check=True,
            )
            answer: list[float | None] = json.loads(done.stdout)
            return answer

        try:
            assert None not in away(20)
            link.shape(delay=0.02, jitter=0.01)
            assert min(each for each in away(20) if each is not None) >= 0.02
            link.shape(cut=True)
            assert set(away(3)) == {None}
            link.shape()
            assert None not in away(20)[1:]
            link.shape(loss=0.2)
            # Of 40 within four standard deviations (binomial).
            assert 40 * 0.36 - 12.2 < away(40).count(None) < 40 * 0.36 + 12.2
        finally:
            echo.kill()
            echo.communicate()
