// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//

#include "board.h"

#include <stdbool.h>
#include <string.h>

#include "boot.h"
#include "frames.h"
#include "memory.h"
#include "pulses.h"
#include "supply.h"

#define PROTOCOL 2
#define FIRMWARE_MAJOR 2
#define FIRMWARE_MINOR 1
#define NO_CHANNEL 255
#define HALF (CHANNELS / 2) // of one settings report
#define LEAST_DIVIDER 1000

enum {
  HELLO = 1,
  LIMITS,
  SILENCE,
  ENABLE,
  POSE,
  RELEASE,
  STATUS_REQUEST,
  SUPPLY,
  PERIOD,
  STORE,
  SETTINGS_REQUEST
};
enum { IDENTITY = 0x81, ACK, REFUSED, STATUS_REPORT, SETTINGS_REPORT };
enum {
  NO_SUCH_CHANNEL = 1,
  NO_LIMITS,
  BEYOND_LIMITS,
  NO_PULSE,
  BAD_SETTING,
  STORED_OTHERWISE
};
enum { HOLD, RELEASING };

#define HEADER 2
#define LONGEST_REQUEST (HEADER + 2 * CHANNELS)

static const uint8_t body_sizes[] = {
    [LIMITS] = 6, [SILENCE] = 3, [ENABLE] = 4, [POSE] = 2 * CHANNELS,
    [SUPPLY] = 4, [PERIOD] = 2,  [STORE] = 0,  [SETTINGS_REQUEST] = 1,
};

typedef struct {
  uint8_t reason; // 0: none
  uint8_t channel;
} Refusal;

#define OBEYED ((Refusal){0, 0})

// Those of a fresh board: no limits.
static Settings settings = {
    .timeout_ms = 500,
    .period_us = LONGEST_PERIOD_US,
    .reaction = RELEASING,
};
static uint32_t stored;       // channels whose limits are stored
static uint8_t storing_number; // of the frame to acknowledge when all is stored

static uint16_t pulses[CHANNELS]; // 0: none
static uint32_t enabled;

static bool watching; // a pose has come and silence not yet been noticed
static uint32_t since_pose_ms;

static uint32_t accepted;
static uint16_t refused;
static uint16_t silences;

// The request before this one, and how it was answered.
static uint8_t last[LONGEST_REQUEST];
static uint8_t last_length; // 0: there is none that must not be obeyed twice
static Refusal last_refusal;

static inline bool is_enabled(uint8_t channel) { return enabled >> channel & 1; }

static inline uint16_t read16(const uint8_t *from) { return from[0] | (uint16_t)from[1] << 8; }

static uint8_t *write16(uint8_t *to, uint16_t number) {
  *to++ = number & 0xFF;
  *to++ = number >> 8;
  return to;
}

static uint8_t *write32(uint8_t *to, uint32_t number) {
  return write16(write16(to, number & 0xFFFF), number >> 16);
}

static Refusal take_limits(const uint8_t *body) {
  uint8_t channel = body[0];
  uint16_t low = read16(body + 1);
  uint16_t high = read16(body + 3);
  bool replace = body[5];
  if (channel >= CHANNELS) {
    return (Refusal){NO_SUCH_CHANNEL, channel};
  }
  if (low < SHORTEST || low >= high || high > LONGEST) {
    return (Refusal){BAD_SETTING, channel};
  }
  bool changes = low != settings.lowest[channel] || high != settings.highest[channel];
  if (changes && (stored >> channel & 1) && !replace) {
    return (Refusal){STORED_OTHERWISE, channel};
  }
  if (pulses[channel] < low || pulses[channel] > high) {
    if (is_enabled(channel)) {
      return (Refusal){BAD_SETTING, channel};
    }
    pulses[channel] = 0;
  }
  if (changes) {
    stored &= ~((uint32_t)1 << channel);
  }
  settings.lowest[channel] = low;
  settings.highest[channel] = high;
  return OBEYED;
}

static Refusal take_silence(const uint8_t *body) {
  uint16_t timeout = read16(body + 1);
  if (timeout == 0) {
    return (Refusal){BAD_SETTING, NO_CHANNEL};
  }
  settings.reaction = body[0];
  settings.timeout_ms = timeout;
  return OBEYED;
}

static Refusal take_supply(const uint8_t *body) {
  uint16_t divider = read16(body);
  if (divider != 0 && divider < LEAST_DIVIDER) {
    return (Refusal){BAD_SETTING, NO_CHANNEL};
  }
  settings.divider_permille = divider;
  settings.low_mv = read16(body + 2);
  supply_watch(settings.divider_permille, settings.low_mv);
  return OBEYED;
}

static Refusal take_period(const uint8_t *body) {
  uint16_t period = read16(body);
  if (period < SHORTEST_PERIOD_US || period > LONGEST_PERIOD_US) {
    return (Refusal){BAD_SETTING, NO_CHANNEL};
  }
  settings.period_us = period;
  pulses_repeat(period);
  return OBEYED;
}

static void note_stored(void) {
  stored = 0;
  for (uint8_t channel = 0; channel < CHANNELS; ++channel) {
    if (settings.lowest[channel]) {
      stored |= (uint32_t)1 << channel;
    }
  }
}

static Refusal take_enable(const uint8_t *body) {
  uint32_t mask = read16(body) | (uint32_t)read16(body + 2) << 16;
  uint32_t rest = mask;
  for (uint8_t channel = 0; rest; ++channel, rest >>= 1) {
    if (rest & 1) {
      if (channel >= CHANNELS) {
        return (Refusal){NO_SUCH_CHANNEL, channel};
      }
      if (pulses[channel] == 0) {
        return (Refusal){NO_PULSE, channel};
      }
    }
  }
  enabled |= mask;
  pulses_play(pulses, enabled);
  return OBEYED;
}

static Refusal take_pose(const uint8_t *body) {
  uint8_t left_out = NO_CHANNEL;
  uint32_t on = enabled;
  const uint8_t *from = body;
  for (uint8_t channel = 0; channel < CHANNELS; ++channel, from += 2, on >>= 1) {
    uint16_t pulse = read16(from);
    if (pulse == 0) {
      if ((on & 1) && left_out == NO_CHANNEL) {
        left_out = channel;
      }
    } else if (settings.lowest[channel] == 0) {
      return (Refusal){NO_LIMITS, channel};
    } else if (pulse < settings.lowest[channel] || pulse > settings.highest[channel]) {
      return (Refusal){BEYOND_LIMITS, channel};
    }
  }
  if (left_out != NO_CHANNEL) {
    return (Refusal){NO_PULSE, left_out};
  }
  memcpy(pulses, body, sizeof pulses); // both are little-endian
  pulses_play(pulses, enabled);
  watching = true;
  since_pose_ms = 0;
  ++accepted;
  return OBEYED;
}

static void take_release(void) {
  enabled = 0;
  memset(pulses, 0, sizeof pulses);
  pulses_stop();
}

static void answer(uint8_t type, uint8_t number, Refusal refusal) {
  uint8_t reply[HEADER + 3 + 2];
  reply[0] = refusal.reason ? REFUSED : ACK;
  reply[1] = number;
  reply[2] = type;
  reply[3] = refusal.reason;
  reply[4] = refusal.channel;
  frames_send(reply, refusal.reason ? 5 : 3);
}

static void identify(uint8_t number) {
  uint8_t reply[MAX_REPLY];
  uint8_t *to = reply;
  *to++ = IDENTITY;
  *to++ = number;
  *to++ = PROTOCOL;
  *to++ = FIRMWARE_MAJOR;
  *to++ = FIRMWARE_MINOR;
  *to++ = CHANNELS;
  to = write16(to, boot_count);
  *to++ = boot_reason;
  for (uint8_t channel = 0; channel < CHANNELS; ++channel) {
    to = write16(to, is_enabled(channel) ? pulses[channel] : 0);
  }
  frames_send(reply, to - reply);
}

static void report(uint8_t number) {
  uint8_t reply[MAX_REPLY];
  uint8_t *to = reply;
  *to++ = STATUS_REPORT;
  *to++ = number;
  to = write32(to, accepted);
  to = write16(to, refused);
  to = write16(to, frames_bad);
  to = write16(to, silences);
  to = write16(to, supply_mv());
  to = write32(to, enabled);
  *to++ = supply_low();
  to = write16(to, boot_count);
  frames_send(reply, to - reply);
}

static void report_settings(uint8_t number, uint8_t half) {
  uint8_t reply[MAX_REPLY];
  uint8_t *to = reply;
  *to++ = SETTINGS_REPORT;
  *to++ = number;
  *to++ = half;
  *to++ = settings.reaction;
  to = write16(to, settings.timeout_ms);
  to = write16(to, settings.divider_permille);
  to = write16(to, settings.low_mv);
  to = write16(to, settings.period_us);
  to = write32(to, stored);
  uint8_t first = half ? HALF : 0;
  for (uint8_t channel = first; channel < first + HALF; ++channel) {
    to = write16(to, settings.lowest[channel]);
    to = write16(to, settings.highest[channel]);
  }
  frames_send(reply, to - reply);
}

// Whether a body of the right size holds a number that means nothing.
static bool is_meaningless(uint8_t type, const uint8_t *body) {
  switch (type) {
  case LIMITS:
    return body[5] > 1;
  case SILENCE:
    return body[0] > RELEASING;
  case SETTINGS_REQUEST:
    return body[0] > 1;
  default:
    return false;
  }
}

void board_begin(void) {
  memory_load(&settings);
  note_stored();
  supply_watch(settings.divider_permille, settings.low_mv);
  pulses_repeat(settings.period_us);
}

void board_go_on(void) {
  if (memory_step()) {
    answer(STORE, storing_number, OBEYED);
  }
}

void board_obey(const uint8_t *content, uint8_t length) {
  uint8_t type = content[0];
  uint8_t number = content[1];
  const uint8_t *body = content + HEADER;
  if (type < HELLO || type > SETTINGS_REQUEST || length != HEADER + body_sizes[type] ||
      is_meaningless(type, body)) {
    ++frames_bad;
    return;
  }
  if (length == last_length && memcmp(content, last, length) == 0) {
    answer(type, number, last_refusal);
    return;
  }
  last_length = 0;
  Refusal refusal = OBEYED;
  switch (type) {
  case HELLO:
    identify(number);
    return;
  case STATUS_REQUEST:
    report(number);
    return;
  case SETTINGS_REQUEST:
    report_settings(number, body[0]);
    return;
  case STORE:
    note_stored();
    memory_store(&settings);
    storing_number = number;
    return;
  case LIMITS:
    refusal = take_limits(body);
    break;
  case SILENCE:
    refusal = take_silence(body);
    break;
  case SUPPLY:
    refusal = take_supply(body);
    break;
  case PERIOD:
    refusal = take_period(body);
    break;
  case ENABLE:
    refusal = take_enable(body);
    break;
  case POSE:
    refusal = take_pose(body);
    break;
  case RELEASE:
    take_release();
    break;
  }
  if (refusal.reason) {
    ++refused;
  }
  memcpy(last, content, length);
  last_length = length;
  last_refusal = refusal;
  answer(type, number, refusal);
}

void board_tick(void) {
  // The first tick may come at once, so the timeout has surely passed only one tick later.
  if (!watching || ++since_pose_ms <= settings.timeout_ms) {
    return;
  }
  watching = false;
  ++silences;
  if (settings.reaction == RELEASING) {
    enabled = 0;
    pulses_stop();
  }
  // Stale pulses must not wait for a later enable.
  for (uint8_t channel = 0; channel < CHANNELS; ++channel) {
    if (!is_enabled(channel)) {
      pulses[channel] = 0;
    }
  }
}
