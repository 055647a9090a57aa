# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
#
# Builds the firmware's .hex that the package ships. The same compiler gives the same bytes.
# Needs Debian's gcc-avr and avr-libc.

FIRMWARE := $(patsubst %/,%,$(dir $(lastword $(MAKEFILE_LIST))))
FIRMWARE_HEX ?= $(FIRMWARE)/board.hex

.PHONY: firmware
firmware: $(FIRMWARE_HEX)  ## build the firmware of the servo board

$(FIRMWARE_HEX): $(wildcard $(FIRMWARE)/*.c $(FIRMWARE)/*.h)
	avr-gcc -mmcu=atmega328p -DF_CPU=16000000UL -std=gnu11 -O2 -flto \
	  -Wall -Wextra -Werror -o $(basename $@).elf $(filter %.c,$^)
	avr-size $(basename $@).elf
	avr-objcopy -O ihex -R .eeprom $(basename $@).elf $@
	rm $(basename $@).elf
