// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// Frames of the protocol: COBS, CRC-16/IBM-3740 and a zero byte. See ../protocol.md.

#ifndef FRAMES_H
#define FRAMES_H

#include <stdint.h>

#define MAX_ENCODED 62    // bytes of a run that are kept
#define MAX_REPLY 54      // type, sequence number, body and CRC of the longest answer
#define MAX_REPLY_SENT 56 // the same as a frame

// Takes one received byte. Returns the length of a good frame, without its CRC, that this byte
// ended: frames_content holds it until the next call. 0 otherwise.
uint8_t frames_take(uint8_t byte);

// Type, sequence number and body of the last good frame.
extern uint8_t frames_content[MAX_ENCODED];

// Runs of bytes that were no frame.
extern uint16_t frames_bad;

// Goes on with a CRC-16/IBM-3740 by one byte; it begins with FFFF.
uint16_t crc16(uint16_t crc, uint8_t byte);

// Sends a frame. content has room for the CRC behind its length bytes.
void frames_send(uint8_t *content, uint8_t length);

#endif
