# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""The command that leads to the firmware."""

import json
import re
from pathlib import Path

from click.testing import CliRunner

from leg_kinematics.commands.main import main


def test_firmware_names_a_file_that_can_be_flashed() -> None:
    """The printed path is a complete Intel HEX file, in the avrdude command as well."""
    result = CliRunner().invoke(main, ['firmware'])
    assert result.exit_code == 0
    (path,) = re.findall(r'^  (/.*\.hex)$', result.output, re.MULTILINE)
    assert f"-U 'flash:w:{path}:i'" in result.output
    as_json = CliRunner().invoke(main, ['firmware', '--json'])
    assert json.loads(as_json.output) == {'path': path}
    records = Path(path).read_text(encoding='ascii').split()
    assert records[-1] == ':00000001FF'  # end of file (Intel, Hexadecimal Object File Format, 1988)
    assert all(sum(bytes.fromhex(record[1:])) % 256 == 0 for record in records)


def test_firmware_warns_of_servo_power() -> None:
    """The caution comes before the first command."""
    output = CliRunner().invoke(main, ['firmware']).output
    assert 0 < output.index('Switch the servo supply off') < output.index('avrdude -p')
