// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// chip_behind_pty HEX LOG: the simulated chip as a process that keeps up with real time. Prints
// "ready PATH" once a host can open the pty. Writes a line "pulse CHANNEL START END" to LOG for
// every pulse and "heard TIME ARRIVED BYTES" for all that a host has written, in seconds of the
// machine's monotonic clock; on a busy machine the chip's own time, in which all but ARRIVED is
// told, is a little behind. SIGUSR1 resets the chip as its watchdog would; SIGTERM and SIGINT end the
// process.

#define _XOPEN_SOURCE 700
#define _DEFAULT_SOURCE

#include <fcntl.h>
#include <poll.h>
#include <sched.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "chip.h"

#define CLOCK 16000000
#define CHANNELS 18
#define POWER_ON 1
#define WATCHDOG 8
#define MOST_LAG 0.1 // s; time that the process was stopped for longer is not made up for

static volatile sig_atomic_t ending, resetting;

static void on_signal(int number) {
  if (number == SIGUSR1) {
    resetting = 1;
  } else {
    ending = 1;
  }
}

static double now(void) {
  struct timespec time;
  clock_gettime(CLOCK_MONOTONIC, &time);
  return time.tv_sec + 1e-9 * time.tv_nsec;
}

static double rises[CHANNELS]; // 0: not high

// Power-on was at `began`.
static void log_pulses(Chip *chip, double began, FILE *log) {
  Edge edges[64];
  size_t number;
  while ((number = chip_edges(chip, edges, 64))) {
    for (size_t i = 0; i < number; ++i) {
      double at = (double)edges[i].cycle / CLOCK;
      double *rise = &rises[edges[i].channel];
      if (edges[i].level) {
        *rise = at;
      } else if (*rise > 0) { // pins also become low at power-on
        fprintf(log, "pulse %u %.7f %.7f\n", edges[i].channel, began + *rise, began + at);
        *rise = 0;
      }
    }
  }
  fflush(log);
}

static void log_heard(const uint8_t *bytes, size_t size, double at, FILE *log) {
  fprintf(log, "heard %.7f %.7f ", at, now());
  for (size_t i = 0; i < size; ++i) {
    fprintf(log, "%02x", bytes[i]);
  }
  fprintf(log, "\n");
}

// Opens a pty whose path is printed, and keeps its far end open so that hosts may come and go.
static int open_pty(void) {
  int near = posix_openpt(O_RDWR | O_NOCTTY);
  if (near < 0 || grantpt(near) || unlockpt(near)) {
    return -1;
  }
  int far = open(ptsname(near), O_RDWR | O_NOCTTY);
  struct termios raw;
  if (far < 0 || tcgetattr(far, &raw)) {
    return -1;
  }
  cfmakeraw(&raw);
  tcsetattr(far, TCSANOW, &raw);
  return near;
}

int main(int count, char **arguments) {
  if (count != 3) {
    fprintf(stderr, "usage: %s HEX LOG\n", arguments[0]);
    return 2;
  }
  Chip *chip = chip_new(arguments[1], 5000, POWER_ON);
  FILE *log = fopen(arguments[2], "w");
  int pty = open_pty();
  if (!chip || !log || pty < 0) {
    perror(arguments[0]);
    return 1;
  }
  struct sigaction action = {.sa_handler = on_signal};
  sigaction(SIGINT, &action, NULL);
  sigaction(SIGTERM, &action, NULL);
  sigaction(SIGUSR1, &action, NULL);
  // No program keeps a chip waiting; where the user may not have this priority, they do.
  (void)sched_setscheduler(0, SCHED_FIFO, &(struct sched_param){.sched_priority = 1});
  printf("ready %s\n", ptsname(pty));
  fflush(stdout);
  double began = now();
  while (!ending) {
    struct pollfd readable = {.fd = pty, .events = POLLIN};
    uint8_t bytes[4096];
    if (poll(&readable, 1, 1) > 0) {
      ssize_t size = read(pty, bytes, sizeof bytes);
      if (size > 0) {
        log_heard(bytes, size, began + (double)chip_cycle(chip) / CLOCK, log);
        chip_feed(chip, bytes, size);
      }
    }
    if (resetting) {
      resetting = 0;
      chip_reset(chip, WATCHDOG);
      // A real chip lets go of its pins at once, the simulated one when the program begins.
      memset(rises, 0, sizeof rises);
    }
    double lag = now() - began - (double)chip_cycle(chip) / CLOCK;
    if (lag > MOST_LAG) {
      began += lag - MOST_LAG;
      lag = MOST_LAG;
    }
    if (lag > 0 && !chip_run(chip, lag * CLOCK)) {
      fprintf(stderr, "the program crashed\n");
      return 1;
    }
    size_t size = chip_sent(chip, bytes, sizeof bytes);
    if (size && write(pty, bytes, size) < 0) {
      perror("pty");
    }
    log_pulses(chip, began, log);
  }
  fclose(log);
  chip_free(chip);
  return 0;
}
