# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""``leg-kinematics board``: what our servo board is set to, and its own settings."""

import json
from dataclasses import replace

import click

from leg_kinematics.board import BoardIdentity
from leg_kinematics.board.framed.driver import FramedDriver
from leg_kinematics.board.framed.frames import (
    LONGEST_PERIOD_US,
    PERMILLE,
    SHORTEST_PERIOD_US,
    Period,
)
from leg_kinematics.board.framed.settings import Settings
from leg_kinematics.commands.terminal.confirm import confirm, yes_option
from leg_kinematics.errors import BoardError

RATES = click.FloatRange(1e6 / LONGEST_PERIOD_US, 1e6 / SHORTEST_PERIOD_US)
VOLTAGES = click.FloatRange(0.0, 65.0)
WARNING = """\
CAUTION: opening {port} restarts the chip on many boards: all pulses stop, and a robot that stands
drops. Put it down or on a stand first, and keep hands from under it."""

DIVIDERS = click.FloatRange(1.0, 65.0)


@click.command(
    epilog='Example: leg-kinematics board /dev/ttyUSB0 --divider 4 --low-voltage 6.2 --rate 100'
)
@click.argument('port')
@click.option('--divider', type=DIVIDERS, help='Servo supply by voltage at ADC7; 1 or more.')
@click.option('--own-supply', is_flag=True, help='No divider: board and servos share a supply.')
@click.option('--low-voltage', type=VOLTAGES, help='Supply in V below which to warn; 0: never.')
@click.option('--rate', type=RATES, help='Pulses a second in each channel, 50 to 100.')
@yes_option
@click.option('--json', 'as_json', is_flag=True, help='For a script to read.')
def board(
    port: str,
    *,
    divider: float | None,
    own_supply: bool,
    low_voltage: float | None,
    rate: float | None,
    yes: bool,
    as_json: bool,
) -> None:
    """Show and store the settings of the servo board at PORT.

    What the options give is stored, then all is shown. No servo is told to move. But many boards
    start anew when their port is opened, and pulses go off, so it asks before it does that.
    The bridge must not be running, for a port has one user. What is stored outlasts power-off,
    with all limits that the board knows at this moment. More than 50 pulses a second are for
    servos that are made for them: many analogue ones are not, and may overheat.
    """
    confirm(WARNING.format(port=port), 'Shall it be opened?', yes=yes)
    driver = FramedDriver(port)
    try:
        identity = driver.open()
        settings = driver.settings()
        supply, period = settings.supply, settings.period
        if divider is not None:
            supply = replace(supply, divider_permille=round(PERMILLE * divider))
        if own_supply:
            supply = replace(supply, divider_permille=0)
        if low_voltage is not None:
            supply = replace(supply, low_mv=round(1000.0 * low_voltage))
        if rate is not None:
            period = Period(round(1e6 / rate))
        if (supply, period) != (settings.supply, settings.period):
            driver.adjust(supply, period)
        volts = driver.refresh().supply
        known = (identity, driver.settings(), volts)
        click.echo(json.dumps(facts(*known), indent=2) if as_json else describe(*known))
    except BoardError as error:
        raise click.ClickException(str(error)) from error
    finally:
        driver.close()


def facts(identity: BoardIdentity, settings: Settings, volts: float | None) -> dict[str, object]:
    """All that is known of a board, for a script."""
    return {
        'firmware': identity.firmware,
        'starts': identity.boots,
        'boot_reason': identity.boot_reason,
        'pulses_on': sorted(identity.enabled),
        'rate_hz': 1e6 / settings.period.period_us,
        'silence': {
            'reaction': settings.silence.reaction.value,
            'timeout_s': settings.silence.timeout_ms / 1000.0,
        },
        'supply': {
            'volts': volts,
            'divider': settings.supply.divider_permille / PERMILLE or None,
            'low_volts': settings.supply.low_mv / 1000.0 or None,
        },
        'limits': [
            {
                'channel': channel,
                'lowest_us': lowest,
                'highest_us': highest,
                'stored': channel in identity.limits,
            }
            for channel, (lowest, highest) in sorted(settings.limits.items())
        ],
    }


def describe(identity: BoardIdentity, settings: Settings, volts: float | None) -> str:
    """Put all that is known of a board in lines for a person."""
    divider, low = settings.supply.divider_permille / PERMILLE, settings.supply.low_mv / 1000.0
    silence = settings.silence
    lines = [
        f'firmware     {identity.firmware}',
        f'starts       {identity.boots}, the last one: {identity.boot_reason}',
        f'pulses on    {", ".join(map(str, sorted(identity.enabled))) or "none"}',
        f'rate         {1e6 / settings.period.period_us:g} Hz',
        f'on silence   {silence.reaction.value} after {silence.timeout_ms / 1000.0:g} s',
        f'supply       {"not measured" if volts is None else f"{volts:.2f} V"}, '
        + (f'divider {divider:g}' if divider else "the board's own")
        + (f', low below {low:g} V' if low else ', not watched'),
    ]
    for channel, (lowest, highest) in sorted(settings.limits.items()):
        kept = 'stored' if channel in identity.limits else 'until power-off'
        lines.append(f'channel {channel:<4} {lowest:g} to {highest:g} us, {kept}')
    if not settings.limits:
        lines.append('limits       none')
    return '\n'.join(lines)
