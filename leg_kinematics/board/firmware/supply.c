// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// Measures the band-gap reference of 1.1 V (± 10 % between chips) against the supply: no divider
// is needed, and where servos and board share a supply it is theirs.

#include "supply.h"

#include <avr/io.h>

#define BAND_GAP_MV 1100
#define LOWEST_MV 1800 // the chip does not run outside of these
#define HIGHEST_MV 6000

static uint16_t reading;

void supply_begin(void) {
  ADMUX = _BV(REFS0) | 0x0E; // band-gap against AVCC
  ADCSRA = _BV(ADEN) | _BV(ADSC) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
}

void supply_tick(void) {
  if (!(ADCSRA & _BV(ADSC))) {
    reading = ADC;
    ADCSRA |= _BV(ADSC);
  }
}

uint16_t supply_mv(void) {
  if (reading == 0) {
    return 0;
  }
  uint32_t mv = BAND_GAP_MV * 1024UL / reading;
  return mv < LOWEST_MV || mv > HIGHEST_MV ? 0 : mv;
}
