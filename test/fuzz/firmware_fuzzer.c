// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// A fuzzer of the firmware's C code: whatever is on the line, answers are whole and in order,
// every pulse was commanded by an accepted pose, silence releases, stored limits survive, and the
// next good frames are obeyed. Judged by board/protocol.md, with a codec of its own.
//
// An input is a list of operations, each a byte and what it needs; what is missing is 0:
//   0 RAW      size, bytes               puts them on the line
//   1 FRAME    size, content             puts the content on the line as a good frame
//   2 SPOILT   place, bits, size, content   the same with bits of one byte turned over
//   3 CUT      kept, size, content       only so many bytes of the frame
//   4 AGAIN                              the last of these three once more
//   5 WAIT     milliseconds
//   6 RESET    flags                     starts the chip again
//   7 VOLTAGE  band-gap, divided         what the converter reads from now on

#include <stdio.h>
#include <string.h>

#include "host_chip.h"

#define CHANNELS 18
#define ALL ((1u << CHANNELS) - 1)
#define SHORTEST 1000 // half us
#define LONGEST 5000
#define LONGEST_FRAME 63
#define MOST_INPUT 4096
#define MOST_WAITING (2000 * PER_MS) // in one run
#define MOST_POSES 256
#define MOST_PULSES 16384
#define MOST_PENDING 64
#define LONGEST_PERIOD (20 * PER_MS)
#define SLACK 400              // until a stop reaches the pins
#define BACKLOG (100 * PER_MS) // longer than answering a ring full of questions takes
#define STORING (400 * PER_MS) // longer than that takes
#define ANSWER (3 * PER_MS)

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
enum { RAW, FRAME, SPOILT, CUT, AGAIN, WAIT, RESET, VOLTAGE, OPERATIONS };

static const uint8_t request_sizes[] = {0, 0, 6, 3, 4, 36, 0, 0, 4, 2, 0, 1};
static const uint8_t answer_sizes[] = {43, 1, 3, 19, 50}; // from IDENTITY on

typedef struct {
  uint8_t bytes[LONGEST_FRAME + 1];
  uint8_t size; // all of it; 0 where there is none
  uint64_t at;
} Frame;

typedef struct {
  uint8_t bytes[LONGEST_FRAME];
  uint8_t size; // stays at LONGEST_FRAME for any longer run
} Run;

// In force at some time after it was heard, and surely when it was acknowledged.
typedef struct {
  uint64_t heard, acknowledged;
  uint16_t pulses[CHANNELS];
} Pose;

typedef struct {
  uint64_t start, end;
  uint8_t channel;
} Pulse;

typedef struct {
  uint16_t lowest[CHANNELS], highest[CHANNELS]; // 0: none
  uint32_t unsure;                              // channels of which this is not known
} Limits;

// Everything that is known of the run.
static struct {
  const uint8_t *input;
  size_t left;
  uint32_t waited;
  uint8_t last[LONGEST_FRAME + 2];
  uint8_t last_size;

  Run inward, outward;
  Frame pending[MOST_PENDING]; // requests without an answer
  uint8_t pending_count;

  Limits limits;    // as acknowledged
  uint32_t guarded; // channels whose limits are stored and need `replace` to be changed
  bool storing;     // since this request was heard, with the limits of then
  uint8_t storing_number;
  Limits to_store;
  Limits memory; // what survives a reset

  uint32_t may_be_on;                         // enabled, and not known to be released
  uint64_t enabled_at[CHANNELS], released_at; // the first was heard, the last acknowledged

  bool releasing; // by the silence action of the host
  bool watched;   // an accepted pose has begun that
  uint32_t timeout;
  uint64_t fed; // acknowledged last

  Pose poses[MOST_POSES]; // accepted
  size_t pose_count;
  Pulse pulses[MOST_PULSES];
  size_t pulse_count, judged;

  unsigned step;     // of the recovery
  bool obeyed;       // the last request
  size_t by_release; // pulses until the release at the end
} run;

static uint16_t read16(const uint8_t *from) { return from[0] | from[1] << 8; }

static uint32_t read32(const uint8_t *from) {
  return read16(from) | (uint32_t)read16(from + 2) << 16;
}

// Bit by bit, as the definition has it.
static uint16_t crc16(const uint8_t *bytes, size_t size) {
  uint16_t crc = 0xFFFF;
  for (size_t i = 0; i < size; ++i) {
    crc ^= (uint16_t)(bytes[i] << 8);
    for (int bit = 0; bit < 8; ++bit) {
      crc = (uint16_t)(crc & 0x8000 ? crc << 1 ^ 0x1021 : crc << 1);
    }
  }
  return crc;
}

// Makes a frame; to has room for LONGEST_FRAME + 1 bytes, content is at most LONGEST_FRAME - 4.
static uint8_t encode(const uint8_t *content, uint8_t size, uint8_t *to) {
  uint8_t whole[LONGEST_FRAME];
  memcpy(whole, content, size);
  uint16_t crc = crc16(content, size);
  whole[size++] = crc >> 8;
  whole[size++] = crc & 0xFF;
  uint8_t code_at = 0, written = 1;
  for (uint8_t i = 0; i < size; ++i) {
    if (whole[i]) {
      to[written++] = whole[i];
    } else {
      to[code_at] = written - code_at;
      code_at = written++;
    }
  }
  to[code_at] = written - code_at;
  to[written++] = 0;
  return written;
}

// Takes a byte of a run; true when it ends a whole frame, which is then in the frame.
static bool decode(Run *from, uint8_t byte, Frame *frame, bool *bad) {
  *bad = false;
  if (byte) {
    if (from->size < LONGEST_FRAME) {
      from->bytes[from->size++] = byte;
    }
    return false;
  }
  uint8_t size = from->size;
  from->size = 0;
  if (size == 0) {
    return false;
  }
  *bad = true;
  if (size == LONGEST_FRAME) {
    return false;
  }
  frame->size = 0;
  for (uint8_t i = 0; i < size;) {
    unsigned next = i + from->bytes[i];
    if (next > size) {
      return false;
    }
    while (++i < next) {
      frame->bytes[frame->size++] = from->bytes[i];
    }
    if (next < size) {
      frame->bytes[frame->size++] = 0;
    }
  }
  if (frame->size < 4 ||
      crc16(frame->bytes, frame->size - 2) !=
          (frame->bytes[frame->size - 2] << 8 | frame->bytes[frame->size - 1])) {
    return false;
  }
  frame->size -= 2;
  frame->at = chip_now();
  *bad = false;
  return true;
}

static bool is_request(const Frame *frame) {
  uint8_t type = frame->bytes[0];
  return type >= HELLO && type <= SETTINGS_REQUEST && frame->size == 2 + request_sizes[type] &&
         ((type != SILENCE && type != SETTINGS_REQUEST) || frame->bytes[2] <= 1) &&
         (type != LIMITS || frame->bytes[7] <= 1);
}

// The pose may have reached the pins a period after it was acknowledged, and until then the one
// before it was in force.
static bool was_commanded(const Pulse *pulse) {
  for (size_t i = run.pose_count; i-- > 0;) {
    const Pose *pose = &run.poses[i];
    if (pose->heard <= pulse->start &&
        pose->pulses[pulse->channel] == pulse->end - pulse->start) {
      return true;
    }
    if (pose->acknowledged + LONGEST_PERIOD < pulse->start) {
      return false;
    }
  }
  return false;
}

// Judges the pulses that had ended by then.
static void judge_pulses(uint64_t by) {
  for (; run.judged < run.pulse_count && run.pulses[run.judged].end <= by; ++run.judged) {
    const Pulse *pulse = &run.pulses[run.judged];
    if (!was_commanded(pulse)) {
      fail("channel %u put out %lu half us, which no pose in force had commanded", pulse->channel,
           (unsigned long)(pulse->end - pulse->start));
    }
    bool on = run.may_be_on >> pulse->channel & 1 && pulse->start >= run.enabled_at[pulse->channel];
    if (!on && pulse->start > run.released_at + SLACK) {
      fail("channel %u put out a pulse without being enabled", pulse->channel);
    }
  }
}

static void accept_pose(const Frame *request) {
  Pose pose = {.heard = request->at, .acknowledged = chip_now()};
  for (uint8_t channel = 0; channel < CHANNELS; ++channel) {
    uint16_t pulse = pose.pulses[channel] = read16(request->bytes + 2 + 2 * channel);
    uint16_t lowest = run.limits.lowest[channel];
    uint16_t highest = run.limits.highest[channel];
    bool allowed = run.limits.unsure >> channel & 1
                       ? pulse >= SHORTEST && pulse <= LONGEST
                       : lowest != 0 && pulse >= lowest && pulse <= highest;
    if (pulse && !allowed) {
      fail("a pose was accepted with %u in channel %u, limited to %u..%u", pulse, channel, lowest,
           highest);
    }
  }
  if (run.pose_count &&
      memcmp(run.poses[run.pose_count - 1].pulses, pose.pulses, sizeof pose.pulses) == 0) {
    return; // goes on
  }
  if (run.pose_count == MOST_POSES) {
    fail("more poses than an input can hold");
  }
  run.poses[run.pose_count++] = pose;
}

static void accept_limits(const uint8_t *body) {
  uint8_t channel = body[0];
  uint16_t lowest = read16(body + 1);
  uint16_t highest = read16(body + 3);
  if (channel >= CHANNELS || lowest < SHORTEST || highest > LONGEST || lowest >= highest) {
    fail("limits %u..%u were accepted for channel %u", lowest, highest, channel);
  }
  if (lowest != run.limits.lowest[channel] || highest != run.limits.highest[channel]) {
    if (run.guarded >> channel & 1 && !body[5]) {
      fail("the stored limits of channel %u were overruled", channel);
    }
    run.guarded &= ~(1u << channel);
  }
  run.limits.unsure &= ~(1u << channel);
  run.limits.lowest[channel] = lowest;
  run.limits.highest[channel] = highest;
}

static void guard(void) {
  run.guarded = 0;
  for (uint8_t channel = 0; channel < CHANNELS; ++channel) {
    run.guarded |= (uint32_t)(run.limits.lowest[channel] != 0) << channel;
  }
  run.guarded &= ~run.limits.unsure;
}

static void obey_store(uint8_t number) {
  run.storing = true;
  run.storing_number = number;
  run.to_store = run.limits;
  guard();
}

static void take_ack(const Frame *request) {
  const uint8_t *body = request->bytes + 2;
  switch (request->bytes[0]) {
  case LIMITS:
    accept_limits(body);
    break;
  case SILENCE:
    if (read16(body + 1) == 0) {
      fail("a timeout of 0 was accepted");
    }
    run.releasing = body[0];
    run.timeout = read16(body + 1) * PER_MS;
    run.watched = false;
    break;
  case SUPPLY:
    break;
  case PERIOD:
    if (read16(body) < 10000 || read16(body) > 20000) {
      fail("a period of %u us was accepted", read16(body));
    }
    break;
  case ENABLE: {
    uint32_t mask = read32(body);
    if (mask >> CHANNELS || (mask && run.pose_count == 0)) {
      fail("enabled %x after %zu poses", mask, run.pose_count);
    }
    judge_pulses(request->at);
    for (uint8_t channel = 0; channel < CHANNELS; ++channel) {
      if (mask & ~run.may_be_on & 1u << channel) {
        run.enabled_at[channel] = request->at;
      }
    }
    run.may_be_on |= mask;
    break;
  }
  case POSE:
    accept_pose(request);
    run.watched = run.releasing;
    run.fed = chip_now();
    break;
  case RELEASE:
    judge_pulses(request->at);
    run.may_be_on = 0;
    run.released_at = chip_now();
    break;
  default:
    fail("type %02x was acknowledged", request->bytes[0]);
  }
}

static void take_identity(const uint8_t *body) {
  for (uint8_t channel = 0; channel < CHANNELS; ++channel) {
    uint16_t pulse = read16(body + 7 + 2 * channel);
    if (pulse && (!(run.may_be_on & 1u << channel) ||
                  pulse != run.poses[run.pose_count - 1].pulses[channel])) {
      fail("the identity tells %u of channel %u", pulse, channel);
    }
  }
}

static void take_settings(const uint8_t *body) {
  uint8_t first = body[0] ? CHANNELS / 2 : 0;
  for (uint8_t i = 0; i < CHANNELS / 2; ++i) {
    uint16_t lowest = read16(body + 14 + 4 * i);
    if (!(run.limits.unsure >> (first + i) & 1) && lowest != run.limits.lowest[first + i]) {
      fail("the settings tell %u of channel %u", lowest, first + i);
    }
  }
}

static void drop_request(void) {
  --run.pending_count;
  memmove(run.pending, run.pending + 1, run.pending_count * sizeof *run.pending);
}

// The only answer that comes out of turn, and one for all requests by then.
static void take_stored(uint8_t number) {
  while (!run.storing || run.storing_number != number) {
    if (run.pending_count == 0 || run.pending[0].bytes[0] != STORE) {
      fail("number %u is stored, which nobody asked for", number);
    }
    obey_store(run.pending[0].bytes[1]);
    drop_request();
  }
  run.storing = false;
  run.memory = run.to_store;
  for (uint8_t i = 0; i < run.pending_count; ++i) {
    if (run.pending[i].bytes[0] == STORE && run.pending[i].bytes[1] == number) {
      run.memory.unsure = ALL; // which of the two was answered cannot be told
    }
  }
}

static void take_answer(const Frame *answer) {
  uint8_t type = answer->bytes[0];
  const uint8_t *body = answer->bytes + 2;
  if (type < IDENTITY || type > SETTINGS_REPORT ||
      answer->size != 2 + answer_sizes[type - IDENTITY]) {
    fail("an answer has type %02x and %u bytes", type, answer->size);
  }
  run.obeyed = type != REFUSED;
  if (type == ACK && body[0] == STORE) {
    take_stored(answer->bytes[1]);
    return;
  }
  while (run.pending_count && run.pending[0].bytes[0] == STORE) {
    obey_store(run.pending[0].bytes[1]);
    drop_request();
  }
  if (run.pending_count == 0) {
    fail("an answer of type %02x that nobody asked for", type);
  }
  Frame request = run.pending[0];
  drop_request();
  if (answer->bytes[1] != request.bytes[1]) {
    fail("number %u was answered as %u", request.bytes[1], answer->bytes[1]);
  }
  uint8_t asked = request.bytes[0];
  bool fits = type == IDENTITY          ? asked == HELLO
              : type == STATUS_REPORT   ? asked == STATUS_REQUEST
              : type == SETTINGS_REPORT ? asked == SETTINGS_REQUEST
                                        : asked == body[0];
  if (!fits) {
    fail("a request of type %02x was answered by %02x %02x", asked, type, body[0]);
  }
  switch (type) {
  case ACK:
    take_ack(&request);
    break;
  case IDENTITY:
    take_identity(body);
    break;
  case STATUS_REPORT:
    if (read32(body + 12) & ~run.may_be_on) {
      fail("channels %x are on, enabled were %x", read32(body + 12), run.may_be_on);
    }
    break;
  case SETTINGS_REPORT:
    take_settings(body);
    break;
  }
}

void heard(uint8_t byte) {
  Frame frame;
  bool bad;
  if (!decode(&run.inward, byte, &frame, &bad) || !is_request(&frame)) {
    return;
  }
  if (run.pending_count == MOST_PENDING) {
    // More than the firmware's buffers hold, so the first is obeyed; stores wait to be answered.
    if (run.pending[0].bytes[0] != STORE) {
      fail("%d requests have not been answered", MOST_PENDING);
    }
    obey_store(run.pending[0].bytes[1]);
    drop_request();
  }
  run.pending[run.pending_count++] = frame;
}

void said(uint8_t byte) {
  Frame answer;
  bool bad;
  if (decode(&run.outward, byte, &answer, &bad)) {
    take_answer(&answer);
  } else if (bad) {
    fail("an answer is no frame");
  }
}

static bool is_pending(uint8_t type) {
  for (uint8_t i = 0; i < run.pending_count; ++i) {
    if (run.pending[i].bytes[0] == type) {
      return true;
    }
  }
  return false;
}

void pulsed(uint8_t channel, uint64_t start, uint64_t end) {
  if (run.pulse_count == MOST_PULSES) {
    fail("more pulses than a run can hold");
  }
  if (run.watched && !is_pending(POSE) && start > run.fed + run.timeout + ANSWER) {
    fail("channel %u put out a pulse in spite of the silence", channel);
  }
  run.pulses[run.pulse_count++] = (Pulse){start, end, channel};
}

static void feed(const uint8_t *bytes, uint8_t size) {
  for (uint8_t i = 0; i < size; ++i) {
    chip_feed(bytes[i]);
  }
}

static uint8_t take(void) {
  if (run.left == 0) {
    return 0;
  }
  --run.left;
  return *run.input++;
}

static uint8_t take_bytes(uint8_t *to, uint8_t most) {
  uint8_t size = take() % (most + 1);
  for (uint8_t i = 0; i < size; ++i) {
    to[i] = take();
  }
  return size;
}

static void take_frame(void) {
  uint8_t content[LONGEST_FRAME];
  run.last_size = encode(content, take_bytes(content, LONGEST_FRAME - 4), run.last);
}

static void wait_some(uint32_t half_us) {
  uint32_t left = MOST_WAITING - run.waited;
  half_us = half_us < left ? half_us : left;
  run.waited += half_us;
  chip_wait(half_us);
}

// What is still being answered may have moved pins already, so it is not judged.
static _Noreturn void reset(uint8_t flags) {
  judge_pulses(run.pending_count ? run.pending[0].at : chip_now());
  run.storing |= is_pending(STORE);
  run.releasing = run.watched = false;
  run.inward.size = run.outward.size = run.pending_count = 0;
  run.pose_count = run.pulse_count = run.judged = 0;
  run.may_be_on = 0;
  run.released_at = chip_now();
  if (run.storing) { // it is done in part, wholly, or not at all
    run.memory.unsure = ALL;
    run.storing = false;
  }
  run.limits = run.memory;
  guard();
  chip_reset(flags);
}

static void operate(void) {
  uint8_t operation = take() % OPERATIONS;
  switch (operation) {
  case RAW: {
    uint8_t bytes[UINT8_MAX];
    feed(bytes, take_bytes(bytes, UINT8_MAX));
    break;
  }
  case FRAME:
    take_frame();
    feed(run.last, run.last_size);
    break;
  case SPOILT: {
    uint8_t where = take();
    uint8_t turned = take();
    take_frame();
    run.last[where % run.last_size] ^= turned;
    feed(run.last, run.last_size);
    break;
  }
  case CUT: {
    uint8_t kept = take();
    take_frame();
    run.last_size = kept % run.last_size;
    feed(run.last, run.last_size);
    break;
  }
  case AGAIN:
    feed(run.last, run.last_size);
    break;
  case WAIT:
    wait_some(take() * PER_MS);
    break;
  case RESET:
    reset(take() & 0xF);
  case VOLTAGE: {
    uint16_t band_gap = take();
    chip_voltage(band_gap, 4 * take());
    break;
  }
  }
}

static void request(const uint8_t *content, uint8_t size) {
  uint8_t frame[LONGEST_FRAME + 1];
  feed(frame, encode(content, size, frame));
  run.obeyed = false;
}

// One of the pose at the end, in no order.
static uint16_t pulse_at_the_end(uint8_t channel) { return 2000 + 100 * (7 * channel % CHANNELS); }

static void request_pose(uint8_t number) {
  uint8_t pose[2 + 2 * CHANNELS] = {POSE, number};
  for (uint8_t channel = 0; channel < CHANNELS; ++channel) {
    uint16_t pulse = pulse_at_the_end(channel);
    pose[2 + 2 * channel] = pulse & 0xFF;
    pose[3 + 2 * channel] = pulse >> 8;
  }
  request(pose, sizeof pose);
}

static void look_for_pose(void) {
  for (uint8_t channel = 0; channel < CHANNELS; ++channel) {
    size_t i = run.pulse_count;
    while (i-- > 0 && run.pulses[i].channel != channel) {
    }
    if (i == SIZE_MAX || run.pulses[i].start + 2 * LONGEST_PERIOD < chip_now() ||
        run.pulses[i].end - run.pulses[i].start != pulse_at_the_end(channel)) {
      fail("channel %u does not follow after the recovery", channel);
    }
  }
}

// Goes on after the input: whatever it was, good frames are obeyed. False at the end.
static bool recover(void) {
  enum { DRAIN, GREET, HOLD, LIMIT, KEEP = LIMIT + CHANNELS, PLACE, ON, LOOK, OFF, RESTART, KNOW };
  unsigned step = run.step++;
  uint8_t number = step;
  if (step > GREET && !run.obeyed) {
    fail("step %u of the recovery was not obeyed", step - 1);
  }
  if (step == DRAIN) {
    chip_wait(BACKLOG);
  } else if (step == GREET) {
    chip_feed(0);
    request((uint8_t[]){HELLO, number}, 2);
    chip_wait(ANSWER);
  } else if (step == HOLD) {
    request((uint8_t[]){SILENCE, number, 0, 0x60, 0xEA}, 5); // after a minute
    chip_wait(ANSWER);
  } else if (step < KEEP) {
    request((uint8_t[]){LIMITS, number, step - LIMIT, 0xE8, 0x03, 0x88, 0x13, 1}, 8);
    chip_wait(ANSWER);
  } else if (step == KEEP) {
    request((uint8_t[]){STORE, number}, 2);
    chip_wait(STORING);
  } else if (step == PLACE) {
    request_pose(number);
    chip_wait(ANSWER);
  } else if (step == ON) {
    request((uint8_t[]){ENABLE, number, 0xFF, 0xFF, 0x03, 0}, 6);
    chip_wait(3 * LONGEST_PERIOD);
  } else if (step == LOOK) {
    look_for_pose();
    request((uint8_t[]){RELEASE, number}, 2);
    chip_wait(LONGEST_PERIOD);
  } else if (step == OFF) {
    run.by_release = run.pulse_count;
    chip_wait(2 * LONGEST_PERIOD);
  } else if (step == RESTART) {
    if (run.pulse_count != run.by_release) {
      fail("a pulse after the release");
    }
    reset(1);
  } else if (step == KNOW) {
    request_pose(number); // within the limits that are stored
    chip_wait(2 * LONGEST_PERIOD);
  } else {
    if (run.pulse_count) {
      fail("a pulse after the start");
    }
    return false;
  }
  return true;
}

static bool next(void) {
  if (run.left == 0) {
    return recover();
  }
  operate();
  return true;
}

int LLVMFuzzerTestOneInput(const uint8_t *input, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *input, size_t size) {
  if (size > MOST_INPUT) {
    return -1;
  }
  memset(&run, 0, offsetof(typeof(run), poses));
  run.pose_count = run.pulse_count = run.judged = run.step = 0;
  run.input = input;
  run.left = size;
  chip_run(next);
  return 0;
}
