# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""Serial servo boards: the frames on the line, drivers, links that mend themselves, and a mock."""

from leg_kinematics.board.boards import Boards, BoardsStatus, Output
from leg_kinematics.board.driver import (
    BoardDriver,
    BoardIdentity,
    BoardSpec,
    BoardStatus,
    Reaction,
    SilenceAction,
    Traffic,
    boards_not_given,
    find_driver,
)
from leg_kinematics.board.link import BoardLink, LinkState, LinkStatus
from leg_kinematics.board.simulated.pulse_log import Record, read_log

__all__ = [
    'BoardDriver',
    'BoardIdentity',
    'BoardLink',
    'BoardSpec',
    'BoardStatus',
    'Boards',
    'BoardsStatus',
    'LinkState',
    'LinkStatus',
    'Output',
    'Reaction',
    'Record',
    'SilenceAction',
    'Traffic',
    'boards_not_given',
    'find_driver',
    'read_log',
]
