# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""What the commands that measure a robot on the bench have in common: boards and cautions."""

import click

FUSED = '- Fuse the battery, and keep its switch within reach: it is what stops everything.'

OPENED = "- Opening a board's serial port may restart the board, and a standing robot then drops."

bench_boards_option = click.option(
    '--board',
    'boards',
    multiple=True,
    help='NAME=DRIVER:PORT of a servo board, as often as there are boards. Default: a mock for '
    'all, to try it without servos.',
)

store_limits_option = click.option(
    '--store-limits', is_flag=True, help='Replace pulse limits that the boards keep from before.'
)
