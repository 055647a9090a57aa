// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// Receives in an interrupt, because the hardware keeps two bytes only, which is 40 µs; sends from
// the main loop, because nobody waits for an answer so urgently.

#include "serial.h"

#include <avr/interrupt.h>

#define OUTWARD_SIZE 128

volatile uint8_t serial_ring[256];
volatile uint8_t serial_head;
volatile uint8_t serial_tail;

static uint8_t outward[OUTWARD_SIZE];
static uint8_t outward_head;
static uint8_t outward_tail;

ISR(USART_RX_vect) { serial_receive(); }

void serial_begin(void) {
  UCSR0A = _BV(U2X0);
  UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
  UBRR0 = F_CPU / 8 / 500000 - 1; // divides exactly, so the baud rate has no error
  UCSR0B = _BV(RXCIE0) | _BV(RXEN0) | _BV(TXEN0);
}

bool serial_take(uint8_t *byte) {
  uint8_t tail = serial_tail;
  if (tail == serial_head) {
    return false;
  }
  *byte = serial_ring[tail];
  serial_tail = tail + 1;
  return true;
}

bool serial_is_idle(void) { return serial_tail == serial_head && outward_tail == outward_head; }

uint8_t serial_room(void) {
  return OUTWARD_SIZE - 1 - ((uint8_t)(outward_head - outward_tail) % OUTWARD_SIZE);
}

void serial_put(uint8_t byte) {
  outward[outward_head] = byte;
  outward_head = (outward_head + 1) % OUTWARD_SIZE;
}

void serial_pump(void) {
  if (outward_tail != outward_head && (UCSR0A & _BV(UDRE0))) {
    UDR0 = outward[outward_tail];
    outward_tail = (outward_tail + 1) % OUTWARD_SIZE;
  }
}
