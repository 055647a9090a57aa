// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// A board of 18 hobby servos on an ATmega328P at 16 MHz. Boots without a pulse.

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include <stdbool.h>

#include "board.h"
#include "boot.h"
#include "frames.h"
#include "pulses.h"
#include "serial.h"
#include "supply.h"

// Timer 0 raises a flag every millisecond, which the main loop takes away: no frame keeps it busy
// for so long.
static void clock_begin(void) {
  OCR0A = F_CPU / 64 / 1000 - 1;
  TCCR0A = _BV(WGM01);
  TCCR0B = _BV(CS01) | _BV(CS00);
}

static bool clock_ticked(void) {
  if (!(TIFR0 & _BV(OCF0A))) {
    return false;
  }
  TIFR0 = _BV(OCF0A);
  return true;
}

int main(void) {
  boot_begin();
  wdt_enable(WDTO_250MS);
  clock_begin();
  supply_begin();
  pulses_begin();
  board_begin();
  serial_begin();
  sei();
  for (;;) {
    wdt_reset();
    serial_pump();
    if (clock_ticked()) {
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
    }
  }
}
