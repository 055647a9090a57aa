// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// An ATmega328P that runs the firmware's machine code, in lock step with its caller: bytes go in
// at the pace of the line, time passes by so many cycles, bytes and edges come out.

#ifndef CHIP_H
#define CHIP_H

#include <stddef.h>
#include <stdint.h>

typedef struct Chip Chip;

// A pin that changed its level.
typedef struct {
  uint64_t cycle;
  uint32_t channel;
  uint32_t level;
} Edge;

// Powers a chip; NULL when the file cannot be read. The flags are those of MCUSR.
Chip *chip_new(const char *hex, uint32_t supply_mv, uint8_t reset_flags);
void chip_free(Chip *chip);

// The EEPROM keeps its bytes. A power-on damages the one that was being written.
void chip_reset(Chip *chip, uint8_t reset_flags);

// Changes the chip's own supply and the voltage at pin ADC7.
void chip_supply(Chip *chip, uint32_t own_mv, uint32_t adc7_mv);

// Bytes of the EEPROM that were written so far.
uint32_t chip_eeprom_writes(const Chip *chip);

// Puts bytes on the line.
void chip_feed(Chip *chip, const uint8_t *bytes, size_t size);

// Bytes that the line has not delivered yet.
size_t chip_waiting(const Chip *chip);

// False when the program has crashed.
int chip_run(Chip *chip, uint64_t cycles);

// Cycles since power-on.
uint64_t chip_cycle(const Chip *chip);

// Those of them for which the program slept.
uint64_t chip_slept(const Chip *chip);

// Bytes that came faster than the program took them.
uint32_t chip_overruns(const Chip *chip);

// Take what the chip has sent, and how its pins have changed.
size_t chip_sent(Chip *chip, uint8_t *to, size_t room);
size_t chip_edges(Chip *chip, Edge *to, size_t room);

#endif
