// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//

#include "boot.h"

#include <avr/eeprom.h>
#include <avr/io.h>

// Kept inverted, so that an erased memory means that there was no start yet.
static uint16_t EEMEM inverted_count;

uint16_t boot_count;
uint8_t boot_reason;

void boot_begin(void) {
  uint8_t flags = MCUSR; // 0 where a boot loader has cleared it
  MCUSR = 0;
  // A power-on may set the flags of the others too.
  if (flags & _BV(PORF)) {
    boot_reason = 1;
  } else if (flags & _BV(WDRF)) {
    boot_reason = 4;
  } else if (flags & _BV(BORF)) {
    boot_reason = 3;
  } else if (flags & _BV(EXTRF)) {
    boot_reason = 2;
  }
  boot_count = (uint16_t)~eeprom_read_word(&inverted_count) + 1;
  eeprom_write_word(&inverted_count, ~boot_count);
}
