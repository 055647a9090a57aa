// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// The supply voltage of the servos.

#ifndef SUPPLY_H
#define SUPPLY_H

#include <stdbool.h>
#include <stdint.h>

#define NOT_MEASURED 0xFFFF

void supply_begin(void);

// Sets how the supply is measured and below what it is low; a divider or threshold of 0 is none.
void supply_watch(uint16_t divider_permille, uint16_t low_mv);

// To be called every millisecond.
void supply_tick(void);

// In mV; NOT_MEASURED when there is no sensible reading.
uint16_t supply_mv(void);

// Whether the supply has been below its threshold for a while, or for most of a longer one.
bool supply_low(void);

#endif
