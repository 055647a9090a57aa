// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// The serial line: bytes in and out through rings, 500 000 baud, 8N1.

#ifndef SERIAL_H
#define SERIAL_H

#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

// Indices of one byte run around a ring of 256 bytes by themselves.
extern volatile uint8_t serial_ring[256];
extern volatile uint8_t serial_head;
extern volatile uint8_t serial_tail;

// Moves the byte that has arrived into the ring; drops it when the ring is full. Only with
// interrupts off.
static inline void serial_receive(void) {
  uint8_t byte = UDR0;
  uint8_t head = serial_head;
  serial_ring[head] = byte;
  if ((uint8_t)(head + 1) != serial_tail) {
    serial_head = head + 1;
  }
}

void serial_begin(void);

// Takes the oldest byte that was received; false when there is none.
bool serial_take(uint8_t *byte);

// Whether nothing is left to be taken or sent. Only with interrupts off.
bool serial_is_idle(void);

// Room for bytes to be sent.
uint8_t serial_room(void);

// Leaves a byte to be sent. There must be room.
void serial_put(uint8_t byte);

// Sends what waits, as far as the line takes it at once.
void serial_pump(void);

#endif
