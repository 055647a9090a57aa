// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// Included before every file of the firmware: gathers its variables, so that a reset can give them
// their first values again.

#pragma clang section bss = "firmware_bss" data = "firmware_data"
