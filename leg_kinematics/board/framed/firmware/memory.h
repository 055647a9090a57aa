// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// The settings, and the memory that keeps them while the board is off.

#ifndef MEMORY_H
#define MEMORY_H

#include <stdbool.h>
#include <stdint.h>

#include "pulses.h"

typedef struct {
  uint16_t lowest[CHANNELS]; // half µs; 0: no limits
  uint16_t highest[CHANNELS];
  uint16_t timeout_ms;
  uint16_t divider_permille; // 0: none
  uint16_t low_mv;           // 0: not watched
  uint16_t period_us;
  uint8_t reaction;
} Settings;

// Reads what is stored. False, and nothing read, when there is nothing or a write was cut off.
bool memory_load(Settings *to);

// Begins to store these settings, in place of those that are still being stored.
void memory_store(const Settings *from);

// Whether memory_step has something left to do.
bool memory_is_storing(void);

// Goes on storing, by one byte at most and without waiting. True once, when all is stored.
bool memory_step(void);

#endif
