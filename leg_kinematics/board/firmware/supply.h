// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// The supply voltage of the board.

#ifndef SUPPLY_H
#define SUPPLY_H

#include <stdint.h>

void supply_begin(void);

// To be called every millisecond.
void supply_tick(void);

// In mV; 0 when there is no sensible reading.
uint16_t supply_mv(void);

#endif
