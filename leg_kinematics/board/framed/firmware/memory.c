// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// A byte takes 3.3 ms to write and wears out by 100 000 writes: one is begun whenever the memory is
// ready for it, and only where something changes. The checksum comes last, so that settings cut
// off by a power failure do not match it.

#include "memory.h"

#include <avr/eeprom.h>
#include <string.h>

#include "frames.h"

#define FORMAT 1 // another one when Settings change, so that old bytes are not read as new ones

typedef struct {
  Settings settings;
  uint16_t crc;
} Image;

static Image EEMEM stored;

static Image image;
static uint8_t place = sizeof image; // of the byte that is stored next
static bool storing;

static uint16_t checksum(void) {
  uint16_t crc = crc16(0xFFFF, FORMAT);
  const uint8_t *bytes = (const uint8_t *)&image.settings;
  for (uint8_t i = 0; i < sizeof image.settings; ++i) {
    crc = crc16(crc, bytes[i]);
  }
  return crc;
}

bool memory_load(Settings *to) {
  eeprom_read_block(&image, &stored, sizeof image);
  if (image.crc != checksum()) {
    return false;
  }
  *to = image.settings;
  return true;
}

void memory_store(const Settings *from) {
  image.settings = *from;
  image.crc = checksum();
  place = 0;
  storing = true;
}

bool memory_is_storing(void) { return storing; }

bool memory_step(void) {
  if (!storing || !eeprom_is_ready()) {
    return false;
  }
  if (place == sizeof image) {
    storing = false;
    return true;
  }
  uint8_t byte = ((const uint8_t *)&image)[place];
  uint8_t *at = (uint8_t *)&stored + place++;
  if (eeprom_read_byte(at) != byte) {
    eeprom_write_byte(at, byte);
  }
  return false;
}
