// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// Every pass of the main loop feeds the watchdog: that is where the chip goes on.

#ifndef AVR_WDT_H
#define AVR_WDT_H

#define WDTO_250MS 250

void wdt_enable(int timeout_ms);
void wdt_reset(void);

#endif
