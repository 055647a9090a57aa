// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// How often the board has started, and why it did so last.

#ifndef BOOT_H
#define BOOT_H

#include <stdint.h>

extern uint16_t boot_count;
extern uint8_t boot_reason; // as in ../protocol.md

// To be called once, first of all.
void boot_begin(void);

#endif
