// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// Sleep takes no time: the chip passes over the time in which nothing happens anyway.

#ifndef AVR_SLEEP_H
#define AVR_SLEEP_H

#define SLEEP_MODE_IDLE 0

static inline void set_sleep_mode(int mode) { (void)mode; }
static inline void sleep_enable(void) {}
static inline void sleep_cpu(void) {}
static inline void sleep_disable(void) {}

#endif
