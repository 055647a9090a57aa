// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// Measures the band-gap reference of 1.1 V (± 10 % between chips) against the chip's own supply,
// which tells that supply. Where servos have another one, a divider leads it to pin ADC7, which is
// measured in the same unit.
//
// Whenever the chip falls asleep it also begins to convert by itself (data sheet, 10.3). That does
// no harm: what is read is what was begun last, the better part of a millisecond after the choice.

#include "supply.h"

#include <avr/io.h>

#define BAND_GAP_MV 1100
#define LOWEST_MV 1800 // the chip does not run outside of these
#define HIGHEST_MV 6000
#define STEPS 1024 // of the converter
#define BAND_GAP (_BV(REFS0) | 0x0E)
#define ADC7 (_BV(REFS0) | 0x07)

#define ROUND_MS 4 // to measure both once
#define LOW_ROUNDS (500 / ROUND_MS)
#define GOOD_ABOVE_MV 100

static uint16_t divider;
static uint16_t threshold;
static uint16_t measured = NOT_MEASURED;
static bool low;
static uint8_t doubtful; // rounds for which the voltage has spoken against the flag

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

static void judge(void) {
  if (threshold == 0 || measured == NOT_MEASURED) {
    low = false;
    doubtful = 0;
  } else if (low ? measured < (uint32_t)threshold + GOOD_ABOVE_MV : measured >= threshold) {
    doubtful = 0;
  } else if (++doubtful > LOW_ROUNDS) {
    doubtful = 0;
    low = !low;
  }
}

void supply_tick(void) {
  static uint8_t step;
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
    judge();
    break;
  }
  step = (step + 1) % ROUND_MS;
}

uint16_t supply_mv(void) { return measured; }

bool supply_low(void) { return low; }
