// Copyright 2026 The leg_kinematics authors
// SPDX-License-Identifier: Apache-2.0
//
// The registers of an ATmega328P in the host's memory, as far as the firmware uses them. The names
// and bits are those of its data sheet, Microchip DS40002061B; what happens to them is in
// ../host_chip.c.

#ifndef AVR_IO_H
#define AVR_IO_H

#include <stdint.h>

#define F_CPU 16000000UL
#define _BV(bit) (1 << (bit))

extern volatile uint8_t PORTB, PORTC, PORTD, DDRB, DDRC, DDRD;
enum { PB0, PB1, PB2, PB3, PB4, PB5 };
enum { PC0, PC1, PC2, PC3, PC4, PC5 };
enum { PD0, PD1, PD2, PD3, PD4, PD5, PD6, PD7 };

extern volatile uint8_t TCCR0A, TCCR0B, OCR0A, TIMSK0;
enum { WGM01 = 1, CS00 = 0, CS01 = 1, OCIE0A = 1 };

extern volatile uint8_t TCCR1B, TIMSK1;
extern volatile uint16_t OCR1A;
enum { CS11 = 1, OCIE1A = 1 };

// Time passes while the firmware looks at the clock.
uint16_t host_count(void);
#define TCNT1 host_count()

// 16 bits, so that the chip can tell what the firmware has written from what it was given.
extern volatile uint16_t UDR0;
extern volatile uint8_t UCSR0A, UCSR0B, UCSR0C;
extern volatile uint16_t UBRR0;
enum { U2X0 = 1, UDRE0 = 5, RXC0 = 7 };
enum { TXEN0 = 3, RXEN0 = 4, RXCIE0 = 7 };
enum { UCSZ00 = 1, UCSZ01 = 2 };

extern volatile uint8_t ADMUX, ADCSRA;
extern volatile uint16_t ADC;
enum { REFS0 = 6, ADEN = 7, ADSC = 6, ADPS0 = 0, ADPS1 = 1, ADPS2 = 2 };

extern volatile uint8_t MCUSR;
enum { PORF, EXTRF, BORF, WDRF };

extern volatile uint8_t SREG;

#endif
