// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0

#include "host_chip.h"

#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/wdt.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define CHANNELS 18
#define LINE_SIZE 4096
#define NOTHING 0x100 // in UDR0: neither received nor written
#define WATCHDOG (250 * PER_MS)
#define BAND_GAP 0x0E // in ADMUX
#define WRITING (34 * PER_MS / 10)

volatile uint8_t PORTB, PORTC, PORTD, DDRB, DDRC, DDRD;
volatile uint8_t TCCR0A, TCCR0B, OCR0A, TIMSK0, TCCR1B, TIMSK1;
volatile uint16_t OCR1A, UDR0, UBRR0, ADC;
volatile uint8_t UCSR0A, UCSR0B, UCSR0C, ADMUX, ADCSRA, MCUSR, SREG;

// The firmware's.
int firmware_main(void);
void USART_RX_vect(void);
void TIMER0_COMPA_vect(void);
void TIMER1_COMPA_vect(void);
extern volatile uint8_t serial_head, serial_tail;

// Its variables, as the linker gathered them. EEPROM is one of them.
extern uint8_t __start_firmware_bss[], __stop_firmware_bss[];
extern uint8_t __start_firmware_data[], __stop_firmware_data[];
extern uint8_t __start_firmware_eeprom[], __stop_firmware_eeprom[];

static bool (*ask)(void);
static jmp_buf start;
enum { RUNNING, RESET, END };

static uint64_t now, next_tick, last_pass, waiting_until;
static bool interrupts;
static uint32_t levels; // of the pins, a bit a channel
static uint64_t rises[CHANNELS];
static uint8_t line[LINE_SIZE];
static size_t line_head, line_size;
static uint16_t band_gap, divided;
static uint8_t *written; // last, in the EEPROM
static uint64_t written_at;

_Noreturn void fail(const char *format, ...) {
  va_list arguments;
  va_start(arguments, format);
  fputs("FOUND: ", stderr);
  vfprintf(stderr, format, arguments);
  fputc('\n', stderr);
  va_end(arguments);
  abort();
}

// The address sanitizer keeps gaps between variables, which must be passed over unchecked.
__attribute__((no_sanitize("address"))) static void copy(uint8_t *to, const volatile uint8_t *from,
                                                         const uint8_t *end) {
  for (volatile uint8_t *byte = to; byte < end; ++byte) {
    *byte = *from++;
  }
}

__attribute__((no_sanitize("address"))) static void fill(uint8_t *to, const uint8_t *end,
                                                         uint8_t with) {
  for (volatile uint8_t *byte = to; byte < end; ++byte) {
    *byte = with;
  }
}

// As the start-up code of the chip.
static void forget(void) {
  static uint8_t *initial;
  size_t size = __stop_firmware_data - __start_firmware_data;
  if (!initial) {
    initial = malloc(size);
    copy(initial, __start_firmware_data, initial + size);
  }
  copy(__start_firmware_data, initial, __stop_firmware_data);
  fill(__start_firmware_bss, __stop_firmware_bss, 0);
}

static void look_at_pins(void) {
  uint32_t seen =
      ((PORTD & DDRD) >> PD2) | (PORTB & DDRB & 0x3F) << 6 | (uint32_t)(PORTC & DDRC & 0x3F) << 12;
  for (uint32_t changed = seen ^ levels; changed; changed &= changed - 1) {
    uint8_t channel = __builtin_ctz(changed);
    if (seen >> channel & 1) {
      rises[channel] = now;
    } else {
      pulsed(channel, rises[channel], now);
    }
  }
  levels = seen;
}

uint16_t host_count(void) {
  look_at_pins(); // written since the last look
  ++now;
  if (now - last_pass > WATCHDOG) {
    fail("the watchdog bites");
  }
  return (uint16_t)now;
}

void sei(void) { interrupts = true; }

bool eeprom_is_ready(void) { return now >= written_at; }

void eeprom_write_byte(uint8_t *to, uint8_t byte) {
  if (!eeprom_is_ready()) {
    fail("the firmware waits for the memory");
  }
  *to = byte;
  written = to;
  written_at = now + WRITING;
}

void wdt_enable(int timeout_ms) { (void)timeout_ms; }

// Lets time pass, with the compare interrupts that are due meanwhile.
static void pass_until(uint64_t end) {
  while (interrupts && TIMSK1 & _BV(OCIE1A)) {
    uint16_t left = OCR1A - (uint16_t)now;
    uint64_t due = now + (left ? left : 0x10000);
    if (due > end) {
      break;
    }
    now = due;
    TIMER1_COMPA_vect();
    look_at_pins();
  }
  if (now < end) {
    now = end;
  }
}

static void deliver(void) {
  uint8_t byte = line[line_head++];
  uint8_t before = serial_head;
  UDR0 = byte;
  USART_RX_vect();
  UDR0 = NOTHING;
  if (serial_head != before) { // else the ring was full
    heard(byte);
  }
}

void wdt_reset(void) {
  last_pass = now;
  bool speaking = UDR0 != NOTHING;
  UCSR0A |= _BV(UDRE0); // read-only
  if (speaking) {
    said(UDR0);
    UDR0 = NOTHING;
  }
  ADCSRA &= ~_BV(ADSC); // has converted
  ADC = (ADMUX & 0xF) == BAND_GAP ? band_gap : divided;
  while (line_head == line_size && now >= waiting_until) {
    line_head = line_size = 0;
    if (!ask()) {
      longjmp(start, END);
    }
  }
  bool listening = line_head < line_size;
  uint64_t end = now + PER_BYTE;
  if (!speaking && !listening && serial_head == serial_tail) { // nothing happens before these
    end = next_tick < waiting_until ? next_tick : waiting_until;
  }
  pass_until(end);
  if (listening) {
    deliver();
  }
  if (now >= next_tick) {
    if (TIMSK0 & _BV(OCIE0A)) {
      TIMER0_COMPA_vect();
    }
    next_tick += PER_MS;
  }
}

void chip_feed(uint8_t byte) {
  if (line_size == LINE_SIZE) {
    fail("no room on the line");
  }
  line[line_size++] = byte;
}

void chip_wait(uint32_t half_us) { waiting_until = now + half_us; }

_Noreturn void chip_reset(uint8_t reset_flags) {
  MCUSR = reset_flags;
  if (reset_flags & _BV(PORF) && !eeprom_is_ready()) {
    *written = 0xFF; // erased, and not yet written
    written_at = now;
  }
  longjmp(start, RESET);
}

void chip_voltage(uint16_t of_band_gap, uint16_t of_divided) {
  band_gap = of_band_gap;
  divided = of_divided;
}

uint64_t chip_now(void) { return now; }

void chip_run(bool (*next)(void)) {
  ask = next;
  now = 0;
  written_at = 0;
  chip_voltage(225, 512); // 1.1 V and 2.5 V against 5 V
  MCUSR = _BV(PORF);
  fill(__start_firmware_eeprom, __stop_firmware_eeprom, 0xFF);
  if (setjmp(start) == END) {
    return;
  }
  forget();
  interrupts = false;
  levels = 0; // the pins let go
  DDRB = DDRC = DDRD = PORTB = PORTC = PORTD = TIMSK0 = TIMSK1 = 0;
  UDR0 = NOTHING;
  line_head = line_size = 0;
  now = (now | 0xFFFF) + 1; // the counter starts from 0
  waiting_until = last_pass = now;
  next_tick = now + PER_MS;
  firmware_main();
}
