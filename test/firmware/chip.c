// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// The chip on libsimavr, with what it does not do by itself: the pace of the line, bytes lost when
// the program takes them too late, and the time that the EEPROM takes for a byte.

#include "chip.h"

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_hex.h>
#include <stdlib.h>
#include <string.h>

#define BYTE_CYCLES 320 // a start bit, eight data bits and a stop bit at 500 000 baud
#define UNREAD 3        // bytes that the hardware keeps: two in its buffer, one just received
#define CHANNELS 18
#define MCUSR_ADDRESS 0x54
#define EECR_ADDRESS 0x3F
#define EEARL_ADDRESS 0x41
#define EEARH_ADDRESS 0x42
#define EEPE 2
#define EEMPE 4
#define EEPROM_CYCLES 54400 // 3.4 ms (Microchip DS40002061B, 8.6.3, from memory)
#define POWER_ON 1

typedef struct {
  uint8_t *bytes;
  size_t size, room;
} Buffer;

typedef struct {
  Chip *chip;
  uint32_t channel;
} Pin;

struct Chip {
  avr_t *avr;
  avr_uart_t *uart;
  Pin pins[CHANNELS];
  Buffer inward, outward, edges;
  size_t fed; // of the inward bytes
  int feeding;
  uint32_t overruns;
  uint64_t slept;
  int writing; // a byte of the EEPROM
  uint32_t eeprom_writes;
};

static void append(Buffer *buffer, const void *bytes, size_t size) {
  if (buffer->size + size > buffer->room) {
    buffer->room = 2 * (buffer->size + size);
    buffer->bytes = realloc(buffer->bytes, buffer->room);
    if (!buffer->bytes) {
      abort();
    }
  }
  memcpy(buffer->bytes + buffer->size, bytes, size);
  buffer->size += size;
}

static size_t drain(Buffer *buffer, void *to, size_t room, size_t unit) {
  size_t size = buffer->size < room ? buffer->size : room;
  size -= size % unit;
  memcpy(to, buffer->bytes, size);
  memmove(buffer->bytes, buffer->bytes + size, buffer->size - size);
  buffer->size -= size;
  return size / unit;
}

static void on_edge(avr_irq_t *irq, uint32_t level, void *param) {
  (void)irq;
  Pin *pin = param;
  Edge edge = {pin->chip->avr->cycle, pin->channel, level};
  append(&pin->chip->edges, &edge, sizeof edge);
}

static void on_sent(avr_irq_t *irq, uint32_t value, void *param) {
  (void)irq;
  uint8_t byte = value;
  append(&((Chip *)param)->outward, &byte, 1);
}

// A start bit: the byte is there one byte's time later.
static avr_cycle_count_t on_line(avr_t *avr, avr_cycle_count_t when, void *param) {
  Chip *chip = param;
  if (chip->fed == chip->inward.size) {
    chip->fed = chip->inward.size = 0;
    chip->feeding = 0;
    return 0;
  }
  uint8_t byte = chip->inward.bytes[chip->fed++];
  // The simulator counts eleven bits a byte.
  chip->uart->cycles_per_byte = BYTE_CYCLES;
  const uart_fifo_t *unread = &chip->uart->input;
  if (((unread->write - unread->read) & (uart_fifo_fifo_size - 1)) >= UNREAD) {
    ++chip->overruns;
  } else {
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT), byte);
  }
  return when + BYTE_CYCLES;
}

static avr_cycle_count_t on_written(avr_t *avr, avr_cycle_count_t when, void *param) {
  (void)when;
  ((Chip *)param)->writing = 0;
  avr->data[EECR_ADDRESS] &= ~EEPE;
  return 0;
}

// The simulator writes at once and clears the bit by which the program sees that it is not done.
static void on_eeprom_control(avr_irq_t *irq, uint32_t value, void *param) {
  (void)irq;
  Chip *chip = param;
  if (!chip->writing && (value & EEPE) && (value & EEMPE)) {
    chip->writing = 1;
    ++chip->eeprom_writes;
    avr_cycle_timer_register(chip->avr, EEPROM_CYCLES, on_written, chip);
  }
  if (chip->writing) {
    chip->avr->data[EECR_ADDRESS] |= EEPE;
  }
}

static void damage_eeprom(avr_t *avr) {
  uint8_t byte = 0xA5;
  uint16_t address = avr->data[EEARL_ADDRESS] | avr->data[EEARH_ADDRESS] << 8;
  avr_eeprom_desc_t damaged = {.ee = &byte, .offset = address, .size = 1};
  avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &damaged);
}

// Nothing but the end of a run, past which the program must not sleep.
static avr_cycle_count_t on_end(avr_t *avr, avr_cycle_count_t when, void *param) {
  (void)avr;
  (void)when;
  (void)param;
  return 0;
}

// Simulated time does not wait for real time. The simulator passes one more cycle by itself.
static void on_sleep(avr_t *avr, avr_cycle_count_t cycles) {
  ((Chip *)avr->custom.data)->slept += 1 + cycles;
}

static void no_log(avr_t *avr, const int level, const char *format, va_list arguments) {
  (void)avr;
  (void)level;
  (void)format;
  (void)arguments;
}

static void start(Chip *chip, uint8_t reset_flags) {
  avr_t *avr = chip->avr;
  if (chip->writing && reset_flags == POWER_ON) {
    damage_eeprom(avr);
  }
  chip->writing = 0;
  avr_reset(avr);
  avr->data[MCUSR_ADDRESS] = reset_flags;
  // Or it looks at these two pins in every cycle while they are low.
  avr_extint_set_strict_lvl_trig(avr, 0, 0);
  avr_extint_set_strict_lvl_trig(avr, 1, 0);
  uint32_t flags = 0;
  avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
  chip->fed = chip->inward.size = 0;
  chip->feeding = 0;
}

Chip *chip_new(const char *hex, uint32_t supply_mv, uint8_t reset_flags) {
  avr_global_logger_set(no_log);
  uint32_t size, base;
  uint8_t *code = read_ihex_file(hex, &size, &base);
  if (!code) {
    return NULL;
  }
  Chip *chip = calloc(1, sizeof *chip);
  avr_t *avr = chip->avr = avr_make_mcu_by_name("atmega328p");
  avr_init(avr);
  avr->frequency = 16000000;
  avr->vcc = avr->avcc = avr->aref = supply_mv;
  avr->custom.data = chip;
  avr->sleep = on_sleep;
  avr_loadcode(avr, code, size, base);
  free(code);
  avr->codeend = avr->flashend;
  for (avr_io_t *io = avr->io_port; io; io = io->next) {
    if (strcmp(io->kind, "uart") == 0) {
      chip->uart = (avr_uart_t *)io;
    }
  }
  for (uint32_t channel = 0; channel < CHANNELS; ++channel) {
    chip->pins[channel] = (Pin){chip, channel};
    char port = "DBC"[channel / 6];
    int pin = channel % 6 + (port == 'D' ? 2 : 0);
    avr_irq_t *irq = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), pin);
    avr_irq_register_notify(irq, on_edge, &chip->pins[channel]);
  }
  avr_irq_t *control = avr_iomem_getirq(avr, EECR_ADDRESS, NULL, AVR_IOMEM_IRQ_ALL);
  avr_irq_register_notify(control, on_eeprom_control, chip);
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_sent,
                          chip);
  start(chip, reset_flags);
  return chip;
}

void chip_free(Chip *chip) {
  avr_terminate(chip->avr);
  free(chip->avr);
  free(chip->inward.bytes);
  free(chip->outward.bytes);
  free(chip->edges.bytes);
  free(chip);
}

void chip_reset(Chip *chip, uint8_t reset_flags) { start(chip, reset_flags); }

void chip_supply(Chip *chip, uint32_t own_mv, uint32_t adc7_mv) {
  chip->avr->vcc = chip->avr->avcc = chip->avr->aref = own_mv;
  avr_raise_irq(avr_io_getirq(chip->avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC7), adc7_mv);
}

uint32_t chip_eeprom_writes(const Chip *chip) { return chip->eeprom_writes; }

void chip_feed(Chip *chip, const uint8_t *bytes, size_t size) {
  append(&chip->inward, bytes, size);
  if (!chip->feeding && size) {
    chip->feeding = 1;
    avr_cycle_timer_register(chip->avr, 1, on_line, chip);
  }
}

size_t chip_waiting(const Chip *chip) { return chip->inward.size - chip->fed; }

int chip_run(Chip *chip, uint64_t cycles) {
  avr_cycle_count_t end = chip->avr->cycle + cycles;
  avr_cycle_timer_register(chip->avr, cycles, on_end, chip);
  while (chip->avr->cycle < end) {
    int state = avr_run(chip->avr);
    if (state == cpu_Done || state == cpu_Crashed) {
      return 0;
    }
  }
  return 1;
}

uint64_t chip_cycle(const Chip *chip) { return chip->avr->cycle; }

uint64_t chip_slept(const Chip *chip) { return chip->slept; }

uint32_t chip_overruns(const Chip *chip) { return chip->overruns; }

size_t chip_sent(Chip *chip, uint8_t *to, size_t room) {
  return drain(&chip->outward, to, room, 1);
}

size_t chip_edges(Chip *chip, Edge *to, size_t room) {
  return drain(&chip->edges, to, room * sizeof *to, sizeof *to);
}
