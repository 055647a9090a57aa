// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// What the board does with each message: the rules of ../protocol.md.

#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

// Takes up the settings that are stored, or those of a fresh board.
void board_begin(void);

// Obeys or refuses a good frame and answers it. There must be room for the longest answer.
void board_obey(const uint8_t *content, uint8_t length);

// To be called every millisecond.
void board_tick(void);

// To be called often. There must be room for an acknowledgement.
void board_go_on(void);

#endif
