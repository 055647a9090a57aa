// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// COBS: Cheshire & Baker, IEEE/ACM Transactions on Networking 7(2), 1999. No frame is as long as a
// COBS block can be, so every block stands for a zero byte behind it, but the last one.

#include "frames.h"

#include "serial.h"

#define CRC_SIZE 2
#define SHORTEST 4 // type, sequence number, CRC

uint8_t frames_content[MAX_ENCODED];
uint16_t frames_bad;

static uint8_t run; // bytes since the last zero byte, MAX_ENCODED + 1 for any more

// Without a table: the eight steps of polynomial 1021 folded.
uint16_t crc16(uint16_t crc, uint8_t byte) {
  uint8_t x = (uint8_t)(crc >> 8) ^ byte;
  x ^= x >> 4;
  return (crc << 8) ^ ((uint16_t)x << 12) ^ ((uint16_t)x << 5) ^ x;
}

// Decodes the run in its place, since decoding never lengthens; 0 unless it is a frame.
static uint8_t decode(void) {
  uint8_t length = 0;
  uint8_t position = 0;
  uint16_t crc = 0xFFFF;
  while (position < run) {
    uint8_t code = frames_content[position++];
    if (code - 1 > run - position) {
      return 0;
    }
    while (--code) {
      uint8_t byte = frames_content[position++];
      frames_content[length++] = byte;
      crc = crc16(crc, byte);
    }
    if (position < run) {
      frames_content[length++] = 0;
      crc = crc16(crc, 0);
    }
  }
  // Over its own CRC a good frame always gives 0.
  return length >= SHORTEST && crc == 0 ? length - CRC_SIZE : 0;
}

uint8_t frames_take(uint8_t byte) {
  if (byte != 0) {
    if (run < MAX_ENCODED) {
      frames_content[run] = byte;
    }
    if (run <= MAX_ENCODED) {
      ++run;
    }
    return 0;
  }
  if (run == 0) {
    return 0;
  }
  uint8_t length = run <= MAX_ENCODED ? decode() : 0;
  run = 0;
  if (length == 0) {
    ++frames_bad;
  }
  return length;
}

void frames_send(uint8_t *content, uint8_t length) {
  uint16_t crc = 0xFFFF;
  for (uint8_t i = 0; i < length; ++i) {
    crc = crc16(crc, content[i]);
  }
  content[length++] = crc >> 8;
  content[length++] = crc & 0xFF;
  for (uint8_t start = 0; start <= length;) {
    uint8_t end = start;
    while (end < length && content[end] != 0) {
      ++end;
    }
    serial_put(end - start + 1);
    while (start < end) {
      serial_put(content[start++]);
    }
    start = end + 1;
  }
  serial_put(0);
}
