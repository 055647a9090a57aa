// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// Memory that survives a reset. A byte takes its time to be written.

#ifndef AVR_EEPROM_H
#define AVR_EEPROM_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#define EEMEM __attribute__((section("firmware_eeprom")))

bool eeprom_is_ready(void);
void eeprom_write_byte(uint8_t *to, uint8_t byte);

static inline uint8_t eeprom_read_byte(const uint8_t *from) { return *from; }
static inline uint16_t eeprom_read_word(const uint16_t *from) { return *from; }
static inline void eeprom_read_block(void *to, const void *from, size_t size) {
  memcpy(to, from, size);
}

// Waits until it is written.
static inline void eeprom_write_word(uint16_t *to, uint16_t word) { *to = word; }

#endif
