# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""``leg-kinematics firmware``: the servo board's program, how it gets on the chip, the wiring."""

import json
import shlex
import shutil
import subprocess
from dataclasses import asdict
from importlib.resources import as_file, files
from pathlib import Path

import click

from leg_kinematics.board.framed.pins import PINS
from leg_kinematics.calibration import ServoMaps, load_servo_maps
from leg_kinematics.commands.boards.wiring import (
    WIRES,
    channels_in_words,
    wiring_facts,
    wiring_in_words,
)
from leg_kinematics.commands.options.files import WrongFileError
from leg_kinematics.commands.terminal.confirm import confirm, yes_option
from leg_kinematics.errors import DescriptionError
from leg_kinematics.robot import Robot, load_robot

BEFORE = """\
BEFORE YOU FLASH
  * Switch the servo supply off, or pull its plug. While a chip is being flashed its pins float,
    and servos may twitch or run to a stop.
  * Put the robot on a stand, so that its legs hang free, and keep fingers out of them.
  * Switch the servo supply on again only when the board answers.
  * The rules of your workshop come before this text."""

GUIDE = """\
Firmware for the ATmega328P with a 16 MHz crystal:
  {path}

{before}

Over the serial port, where the chip has a serial boot loader; `--flash PORT` does it:
  {command}

With a programmer on the ISP pins, here one named usbasp (erases a boot loader):
  avrdude -p atmega328p -c usbasp -U {memory}

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

{wires}

{pins}
"""


@click.command(
    epilog='Examples: leg-kinematics firmware --robot mine.yaml --servo-maps mine-maps.yaml;  '
    'leg-kinematics firmware --flash /dev/ttyUSB0'
)
@click.option(
    '--robot', type=click.Path(path_type=Path), help='Description of the robot to be wired.'
)
@click.option('--servo-maps', type=click.Path(path_type=Path), help='Its servo maps.')
@click.option('--flash', 'port', metavar='PORT', help='Flash the board at PORT with avrdude.')
@yes_option
@click.option('--json', 'as_json', is_flag=True, help='For a script to read.')
def firmware(
    *, robot: Path | None, servo_maps: Path | None, port: str | None, yes: bool, as_json: bool
) -> None:
    """Tell how the servo board is flashed and wired, or flash it.

    With --robot and --servo-maps the wiring is that of this robot: joint by joint the board, the
    channel and the pin, and what the supply of its servos has to give. With --flash the board is
    flashed over its serial boot loader, after a question; nothing else is told then.
    """
    if (robot is None) != (servo_maps is None):
        raise click.UsageError('--robot and --servo-maps belong together: give both, or none')
    if port is not None and (robot is not None or as_json):
        raise click.UsageError('--flash only flashes: leave --robot, --servo-maps and --json out')
    with as_file(files('leg_kinematics.board.framed.firmware') / 'board.hex') as path:
        if port is not None:
            flash(port, path, yes=yes)
            return
        loaded = _load(robot, servo_maps) if robot and servo_maps else None
        if as_json:
            known: dict[str, object] = {
                'path': str(path),
                'flash': flash_command('PORT', path),
                'channels': [asdict(pin) for pin in PINS],
            }
            if loaded:
                known |= wiring_facts(*loaded)
            click.echo(json.dumps(known, indent=2))
            return
        guide = GUIDE.format(
            path=path,
            before=BEFORE,
            command=shlex.join(flash_command('/dev/ttyUSB0', path)),
            memory=shlex.quote(memory_operation(path)),
            wires=WIRES,
            pins=wiring_in_words(*loaded) if loaded else channels_in_words(),
        )
        click.echo(guide, nl=False)


def memory_operation(path: Path) -> str:
    """Tell avrdude what to do to which memory of the chip."""
    return f'flash:w:{path}:i'


def flash_command(port: str, path: Path) -> list[str]:
    """Give the command that flashes a board over its serial boot loader."""
    loader = ['avrdude', '-p', 'atmega328p', '-c', 'arduino', '-P', port, '-b', '115200', '-D']
    return [*loader, '-U', memory_operation(path)]


def flash(port: str, path: Path, *, yes: bool) -> None:
    """Flash the board at a port, once a person agrees.

    Raises
    ------
    click.ClickException
        There is no avrdude, or it failed.

    """
    command = flash_command(port, path)
    if shutil.which(command[0]) is None:
        raise click.ClickException(
            f'nothing was flashed: avrdude is not installed. Install it (on Debian and Ubuntu: '
            f'sudo apt install avrdude) and try again, or have another computer do:\n'
            f'  {shlex.join(command)}'
        )
    confirm(
        f'{BEFORE}\n\nThe program on the chip at {port} will be replaced by\n  {path}\nby\n'
        f'  {shlex.join(command)}',
        'Is the servo supply off, and shall the chip be flashed?',
        yes=yes,
    )
    code = subprocess.run(command, check=False).returncode  # noqa: S603  a list, no shell
    if code:
        raise click.ClickException(
            f'avrdude ended with exit code {code}, so that the chip may have half a program: leave '
            f'the servo supply off and flash it again. If no boot loader answers: name another '
            f'port, try `-b 57600` for an older one, or use a programmer, by hand as '
            f'`leg-kinematics firmware` shows'
        )
    click.echo(f'Flashed. `leg-kinematics board {port}` shows whether it answers.')


def _load(robot_file: Path, maps_file: Path) -> tuple[Robot, ServoMaps]:
    """Load a robot and its servo maps.

    Raises
    ------
    WrongFileError
        One of the files is wrong.

    """
    try:
        robot = load_robot(robot_file)
        return robot, load_servo_maps(maps_file, robot)
    except DescriptionError as error:
        raise WrongFileError(str(error)) from error
