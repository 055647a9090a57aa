# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""``leg-kinematics firmware``: where the servo board's program is and how it gets on the chip."""

import json
from importlib.resources import as_file, files

import click

GUIDE = """\
Firmware for the ATmega328P with a 16 MHz crystal:
  {path}

BEFORE YOU FLASH
  * Switch the servo supply off, or pull its plug. While a chip is being flashed its pins float,
    and servos may twitch or run to a stop.
  * Put the robot on a stand, so that its legs hang free, and keep fingers out of them.
  * Switch the servo supply on again only when the board answers.
  * The rules of your workshop come before this text.

Over the serial port, where the chip has a serial boot loader:
  avrdude -p atmega328p -c arduino -P /dev/ttyUSB0 -b 115200 -D -U 'flash:w:{path}:i'

With a programmer on the ISP pins, here one named usbasp (erases a boot loader):
  avrdude -p atmega328p -c usbasp -U 'flash:w:{path}:i'

The program uses the watchdog. A boot loader that leaves it running after a reset, as some old
ones do, starts over and over until the power is cut: flash such a chip over ISP.
The brown-out detector should be set to 2.7 V or 4.3 V (a fuse), or a failing supply may spoil
what the chip remembers: it then notices, and knows no limits until it is told some.

BOARDS THAT BOOT BY DTR
Where the adapter's DTR line leads to the chip's reset, as on most boards with a USB plug, whoever
opens the port restarts the chip: all pulses stop, and for about 2 s its boot loader listens, not
this program. leg-kinematics leaves DTR and RTS up when it closes the port or is killed, so that
only the first opening after plugging in, or after another program hung up, restarts the board:
do that before the robot stands. It cannot tell what every adapter's driver does; try yours with
the servos off: the count of starts that `leg-kinematics board PORT` shows must not rise the
second time. Where it does, open the way from DTR to the reset after flashing.

CHANNELS
  0 to 5    PD2 to PD7
  6 to 11   PB0 to PB5
  12 to 17  PC0 to PC5
  ADC7      the servo supply, through a divider to less than the chip's own supply; leave it open
            where servos and chip share one supply. `leg-kinematics board PORT` sets it up.
Host: PD0 receives, PD1 sends, 500000 baud 8N1. The grounds of servos and board are joined.
"""


@click.command(epilog='Example: leg-kinematics firmware')
@click.option('--json', 'as_json', is_flag=True, help='The path alone, for a script to read.')
def firmware(*, as_json: bool) -> None:
    """Tell where the board's program is and how to flash it safely."""
    with as_file(files('leg_kinematics.board.framed.firmware') / 'board.hex') as path:
        if as_json:
            click.echo(json.dumps({'path': str(path)}))
        else:
            click.echo(GUIDE.format(path=path), nl=False)
