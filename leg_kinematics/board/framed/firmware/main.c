// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// A board of 18 hobby servos on an ATmega328P at 16 MHz. Boots without a pulse.

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stdbool.h>

#include "board.h"
#include "boot.h"
#include "frames.h"
#include "memory.h"
#include "pulses.h"
#include "serial.h"
#include "supply.h"

// Set by timer 0 every millisecond and taken by the main loop: no frame keeps it busy for so long.
static volatile bool ticked;

ISR(TIMER0_COMPA_vect) { ticked = true; }

static void clock_begin(void) {
  OCR0A = F_CPU / 64 / 1000 - 1;
  TCCR0A = _BV(WGM01);
  TCCR0B = _BV(CS01) | _BV(CS00);
  TIMSK0 = _BV(OCIE0A);
}

// Sleeps until the next interrupt, unless something is left to do. What comes after the look wakes
// it at once, for the instruction that follows sei() is done before any interrupt.
static void rest(void) {
  cli();
  if (!ticked && serial_is_idle() && !memory_is_storing()) {
    sleep_enable();
    sei();
    sleep_cpu();
    sleep_disable();
  }
  sei();
}

int main(void) {
  boot_begin();
  wdt_enable(WDTO_250MS);
  clock_begin();
  supply_begin();
  pulses_begin();
  board_begin();
  serial_begin();
  set_sleep_mode(SLEEP_MODE_IDLE);
  sei();
  for (;;) {
    wdt_reset();
    serial_pump();
    if (ticked) {
      ticked = false;
      supply_tick();
      board_tick();
    }
    // Bytes wait in the ring until there is room for whatever the answer will be.
    if (serial_room() < MAX_REPLY_SENT) {
      continue;
    }
    board_go_on();
    uint8_t byte;
    if (serial_room() >= MAX_REPLY_SENT && serial_take(&byte)) {
      uint8_t length = frames_take(byte);
      if (length) {
        board_obey(frames_content, length);
      }
    } else {
      rest();
    }
  }
}
