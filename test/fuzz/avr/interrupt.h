// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// Interrupts are functions that the chip calls.

#ifndef AVR_INTERRUPT_H
#define AVR_INTERRUPT_H

#define ISR(vector) void vector(void)

void sei(void);

// No interrupt comes between two lines of the main loop here.
static inline void cli(void) {}

#endif
