// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// Measures the band-gap reference of 1.1 V (± 10 % between chips) against the chip's own supply,
// which tells that supply. Where servos have another one, a divider leads it to pin ADC7, which is
// measured in the same unit.
//
// Low voltage is judged by a balance of time (Page, Continuous Inspection Schemes, Biometrika 41,
// 1954): it grows while the voltage speaks against the flag and shrinks while it speaks for it, so
// that no good moment between low ones makes the board forget them. Servos load their supply in
// step with their pulses; pauses of changing length between the looks keep these out of that step.
//
// Whenever the chip falls asleep it also begins to convert by itself (ATmega328P data sheet,
// Microchip DS40002061B, 10.3). That does no harm: what is read is what was begun last, the better
// part of a millisecond after the choice.

#include "supply.h"

#include <avr/io.h>

#define BAND_GAP_MV 1100
#define LOWEST_MV 1800 // the chip does not run outside of these
#define HIGHEST_MV 6000
#define STEPS 1024 // of the converter
#define BAND_GAP (_BV(REFS0) | 0x0E)
#define ADC7 (_BV(REFS0) | 0x07)

#define MEASURING_MS 4 // for both, followed by a pause of 0 to 3 ms
#define LONGEST_PAUSE_MS 3
#define LOW_FOR_MS 500
#define GOOD_ABOVE_MV 100

static uint16_t divider;
static uint16_t threshold;
static uint16_t measured = NOT_MEASURED;
static bool low;
static uint16_t against_ms; // by which the voltage has spoken against the flag longer than for it

void supply_begin(void) {
  ADMUX = BAND_GAP;
  ADCSRA = _BV(ADEN) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
}

void supply_watch(uint16_t divider_permille, uint16_t low_mv) {
  divider = divider_permille;
  threshold = low_mv;
}

static uint16_t evaluate(uint16_t band_gap, uint16_t divided) {
  if (band_gap == 0) {
    return NOT_MEASURED;
  }
  uint32_t own_mv = BAND_GAP_MV * (uint32_t)STEPS / band_gap;
  if (own_mv < LOWEST_MV || own_mv > HIGHEST_MV) {
    return NOT_MEASURED;
  }
  if (divider == 0) {
    return own_mv;
  }
  uint32_t mv = own_mv * divided / STEPS * divider / 1000;
  return mv < NOT_MEASURED ? mv : NOT_MEASURED - 1;
}

static void judge(uint8_t elapsed_ms) {
  if (threshold == 0 || measured == NOT_MEASURED) {
    low = false;
    against_ms = 0;
  } else if (low ? measured < (uint32_t)threshold + GOOD_ABOVE_MV : measured >= threshold) {
    against_ms = against_ms > elapsed_ms ? against_ms - elapsed_ms : 0;
  } else {
    against_ms += elapsed_ms;
    if (against_ms >= LOW_FOR_MS) {
      against_ms = 0;
      low = !low;
    }
  }
}

// A shift register with feedback over 8 bits (taps 8, 6, 5, 4) goes through 255 states; it is
// shifted by the two bits that are taken.
static uint8_t draw_pause_ms(void) {
  static uint8_t bits = 1;
  for (uint8_t shift = 0; shift < 2; ++shift) {
    bits = bits & 1 ? bits >> 1 ^ 0xB8 : bits >> 1;
  }
  return bits & LONGEST_PAUSE_MS;
}

void supply_tick(void) {
  static uint8_t step;
  static uint8_t pause;
  static uint16_t band_gap;
  // The reference needs the better part of a millisecond after it was chosen.
  switch (step) {
  case 0:
  case 2:
    ADCSRA |= _BV(ADSC);
    break;
  case 1:
    band_gap = ADC;
    ADMUX = ADC7;
    break;
  case 3:
    measured = evaluate(band_gap, ADC);
    ADMUX = BAND_GAP;
    judge(MEASURING_MS + pause);
    pause = draw_pause_ms();
    break;
  }
  if (++step == MEASURING_MS + pause) {
    step = 0;
  }
}

uint16_t supply_mv(void) { return measured; }

bool supply_low(void) { return low; }
