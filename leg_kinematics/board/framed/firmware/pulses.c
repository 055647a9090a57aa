// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// A frame has three slots, one for each port with its six channels. In a slot the channel with the
// shortest pulse rises first and every further one STAGGER later, so that no two edges are ever
// closer than that, whatever the pose: one edge never makes the next one late.
//
// Timer 1 counts half µs. Its compare interrupt comes a little before an edge and spins to it;
// so neither the interrupt's latency nor another interrupt shifts the edge.
//
// The interrupt plays a table of edges. Of three tables one is played, one is ready, and one is
// free to be written: neither side ever waits for the other or sees a table half written.

#include "pulses.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdbool.h>

#include "serial.h"

#define SLOTS 3
#define PER_SLOT (CHANNELS / SLOTS)

// In half µs.
#define STAGGER 12    // longer than playing one edge and receiving one byte take
#define EDGE_LEAD 22  // another interrupt, then entering this one
#define SLOT_LEAD 36  // the same and choosing the slot
#define NEAR 32       // nearer than this, leaving and entering again does not pay
#define POLLING 5     // nearer than this, receiving a byte would make the edge late

_Static_assert(2UL * SHORTEST_PERIOD_US / SLOTS > LONGEST + PER_SLOT * STAGGER + SLOT_LEAD + NEAR,
               "the pulses do not fit in a frame");
_Static_assert(2UL * LONGEST_PERIOD_US / SLOTS < INT16_MAX,
               "a slot is longer than a comparison sees");

typedef struct {
  uint16_t at;   // since the start of the slot, half µs
  uint8_t level; // of the whole port from then on
} Edge;

typedef struct {
  uint8_t count; // at least 1
  Edge edges[2 * PER_SLOT];
} Slot;

typedef struct {
  volatile uint8_t *port;
  uint8_t first_pin; // as a bit
  uint8_t idle;      // level without pulses
} Port;

static const Port ports[SLOTS] = {
    {&PORTD, _BV(PD2), _BV(PD0)}, // PD0 receives and is pulled up
    {&PORTB, _BV(PB0), 0},
    {&PORTC, _BV(PC0), 0},
};

static Slot tables[3][SLOTS];
static volatile uint8_t playing;
static volatile uint8_t ready;
static volatile bool stopping;
static volatile uint16_t third; // from slot to slot, half µs; the first one waits for the rest too
static volatile uint8_t rest;

// The interrupt's own.
static uint8_t slot = SLOTS - 1;
static uint16_t slot_start;
static volatile uint8_t *port;
static const Edge *next;
static const Edge *end; // next is the end between slots

static inline void begin_slot(void) {
  if (++slot == SLOTS) {
    slot = 0;
  }
  // A pose changes between frames only; a stop does not wait for that.
  if (slot == 0 || stopping) {
    playing = ready;
    stopping = false;
  }
  port = ports[slot].port;
  const Slot *now = &tables[playing][slot];
  next = now->edges;
  end = next + now->count;
}

static inline void end_slot(void) {
  slot_start += third;
  if (slot == SLOTS - 1) {
    slot_start += rest;
  }
  OCR1A = slot_start - SLOT_LEAD;
}

ISR(TIMER1_COMPA_vect) {
  if (next == end) {
    begin_slot();
  }
  const uint16_t start = slot_start;
  volatile uint8_t *const to = port;
  const Edge *edge = next;
  uint16_t due = start + edge->at;
  do {
    // Bytes go on arriving while edges lie close together.
    while ((int16_t)(due - TCNT1) > POLLING) {
      if (UCSR0A & _BV(RXC0)) {
        serial_receive();
      }
    }
    const uint8_t level = edge->level;
    while ((int16_t)(TCNT1 - due) < 0) {
    }
    *to = level;
    ++edge;
    if (edge == end) {
      next = edge;
      end_slot();
      return;
    }
    due = start + edge->at;
  } while ((int16_t)(due - TCNT1) < NEAR);
  next = edge;
  OCR1A = due - EDGE_LEAD;
}

static void write_slot(Slot *table, const Port *on, const uint16_t *widths, uint8_t enabled) {
  uint16_t falls[PER_SLOT];
  uint8_t pins[PER_SLOT];
  uint8_t count = 0;
  for (uint8_t pin = on->first_pin; enabled; pin <<= 1, enabled >>= 1, ++widths) {
    if (enabled & 1) {
      const uint16_t width = *widths;
      uint8_t place = count++;
      for (; place > 0 && falls[place - 1] > width; --place) {
        falls[place] = falls[place - 1];
        pins[place] = pins[place - 1];
      }
      falls[place] = width;
      pins[place] = pin;
    }
  }
  uint8_t level = on->idle;
  Edge *edge = table->edges;
  // A slot without pulses still has one edge, to which nothing changes.
  *edge = (Edge){0, level};
  uint16_t rise = 0;
  for (uint8_t i = 0; i < count; ++i) {
    level |= pins[i];
    *edge++ = (Edge){rise, level};
    rise += STAGGER;
  }
  rise = 0;
  for (uint8_t i = 0; i < count; ++i) {
    level &= ~pins[i];
    *edge++ = (Edge){rise + falls[i], level};
    rise += STAGGER;
  }
  table->count = count ? 2 * count : 1;
}

void pulses_repeat(uint16_t period_us) {
  uint16_t period = 2 * period_us;
  uint16_t part = period / SLOTS;
  // Each of them is sound beside the other's old value, but not half written.
  uint8_t state = SREG;
  cli();
  third = part;
  SREG = state;
  rest = period - SLOTS * part;
}

void pulses_play(const uint16_t widths[CHANNELS], uint32_t enabled) {
  // The interrupt may make the ready table the playing one meanwhile, never this one.
  uint8_t busy = playing;
  uint8_t spare = 0;
  while (spare == busy || spare == ready) {
    ++spare;
  }
  for (uint8_t i = 0; i < SLOTS; ++i) {
    write_slot(&tables[spare][i], &ports[i], widths, enabled & (_BV(PER_SLOT) - 1));
    widths += PER_SLOT;
    enabled >>= PER_SLOT;
  }
  ready = spare;
}

void pulses_stop(void) {
  static const uint16_t none[CHANNELS];
  pulses_play(none, 0);
  stopping = true;
}

void pulses_begin(void) {
  PORTD = _BV(PD0);
  DDRD = 0xFC;
  DDRB = 0x3F;
  DDRC = 0x3F;
  pulses_stop();
  slot_start = 2 * SLOT_LEAD;
  OCR1A = slot_start - SLOT_LEAD;
  TIMSK1 = _BV(OCIE1A);
  TCCR1B = _BV(CS11); // F_CPU / 8
}
