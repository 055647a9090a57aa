# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""OpenCV is an extra: without it, or with an old one, a plain message says what to install."""

import importlib
import sys

import cv2
import pytest

from leg_kinematics import photogrammetry
from leg_kinematics.errors import CommandError


def test_opencv_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    """Importing what needs it tells its name."""
    monkeypatch.setitem(sys.modules, 'cv2', None)
    with pytest.raises(CommandError, match=r"pip install 'opencv-python-headless>=4\.14'"):
        importlib.reload(photogrammetry)


@pytest.mark.parametrize('version', ['4.12.0', '4.6.0', '3.4.18'])
def test_opencv_is_too_old(monkeypatch: pytest.MonkeyPatch, version: str) -> None:
    """Corners of boards were 0.497 px off in both axes up to 4.12 (measured on rendered boards)."""
    monkeypatch.setattr(cv2, '__version__', version)
    with pytest.raises(CommandError, match=rf'OpenCV {version} places the corners .* half a pixel'):
        importlib.reload(photogrammetry)
