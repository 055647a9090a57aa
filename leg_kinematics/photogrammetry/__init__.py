# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Where feet are, by photographs of printed markers.

Everything that needs OpenCV is in here, and whoever needs it imports it from here; it comes with
the extra `photo`. A measurement starts with files (`folder`), looks at each (`detection`), and
makes positions of feet of all of them together (`feet`). What is printed is in `layout` and drawn
by `sheets`.
"""

from leg_kinematics.errors import CommandError

try:
    import cv2
except ModuleNotFoundError as error:
    raise CommandError(
        'Photographs and their markers need OpenCV, which is not installed: '
        "pip install 'opencv-python-headless>=4.14' (the extra 'photo' of leg_kinematics)"
    ) from error

# Before 4.14 the corners of a board were half a pixel off.
if tuple(int(part) for part in cv2.__version__.split('.')[:2]) < (4, 14):
    raise CommandError(
        f'OpenCV {cv2.__version__} places the corners of a board half a pixel off; 4.14 or newer '
        'is '
        "needed: pip install 'opencv-python-headless>=4.14'"
    )
