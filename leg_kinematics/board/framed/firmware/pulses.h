// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// Servo pulses on 18 pins. Channels 0 to 5 are pins PD2 to PD7, 6 to 11 are PB0 to PB5 and 12 to
// 17 are PC0 to PC5.

#ifndef PULSES_H
#define PULSES_H

#include <stdint.h>

#define CHANNELS 18

#define SHORTEST 1000 // half µs
#define LONGEST 5000
#define SHORTEST_PERIOD_US 10000
#define LONGEST_PERIOD_US 20000

// Makes the pins outputs, low, and starts the clock of the pulses.
void pulses_begin(void);

// Sets the time from a pulse to the next in each channel, from the next slot on.
void pulses_repeat(uint16_t period_us);

// Puts out these pulses, in half µs, in the enabled channels, all from the same frame on.
void pulses_play(const uint16_t widths[CHANNELS], uint32_t enabled);

// Lets no further pulse begin until pulses_play. One that is high ends as commanded: a pulse cut
// short would be a command by itself.
void pulses_stop(void);

#endif
