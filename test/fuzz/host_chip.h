// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// The firmware's C code on the host, with registers in memory. Time is in half µs since the start
// of the run and passes between the passes of the main loop, so no interrupt breaks into it: that
// is left to the simulated machine code.

#ifndef HOST_CHIP_H
#define HOST_CHIP_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define PER_MS 2000
#define PER_BYTE 40 // on the line, at 500 000 baud

// Runs the firmware from the first power-on of a new chip. Whenever the line has delivered
// everything and no wait is left, `next` is asked to go on; it returns false to end the run.
void chip_run(bool (*next)(void));

// For `next`: one of these, or several bytes.
void chip_feed(uint8_t byte);
void chip_wait(uint32_t half_us);
_Noreturn void chip_reset(uint8_t reset_flags);
void chip_voltage(uint16_t band_gap, uint16_t divided); // readings of the converter

uint64_t chip_now(void);

// What the run leads to; defined by whoever asks for it.
void heard(uint8_t byte); // the firmware will read this byte
void said(uint8_t byte);
void pulsed(uint8_t channel, uint64_t start, uint64_t end);

// Ends the program with a message.
_Noreturn void fail(const char *format, ...) __attribute__((format(printf, 1, 2)));

#endif
