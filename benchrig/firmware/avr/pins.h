/* Which pin is what. The wiring table in README.md says the same.
 *
 * PD0 RXD, PD1 TXD, PD2-PD7 gates 0-5, PB0-PB1 gates 6-7, PB2 feed contactor, PB3 low-current
 * source, PB4 auxiliary contact of the feed (closed = low), PB5 lamp, PC0-PC5 and ADC6-ADC7
 * inputs 0-7. A gate is on when its pin is high; every gate has a pull-down.
 *
 * The feed is on no pin that a programmer drives (PB3 MOSI, PB4 MISO, PB5 SCK).
 */
#ifndef BENCHRIG_PINS_H
#define BENCHRIG_PINS_H

#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#define D_OUTPUTS 0xFCu
#define D_PULLUPS 0x01u /* RXD: an unplugged line must not look like data */
#define B_GATES 0x03u
#define B_FEED _BV(PB2)
#define B_SOURCE _BV(PB3)
#define B_AUXILIARY _BV(PB4)
#define B_LAMP _BV(PB5)
#define B_OUTPUTS (B_GATES | B_FEED | B_SOURCE | B_LAMP)

static inline uint8_t port_d_of(uint16_t mask)
{
    return (uint8_t)((uint8_t)((uint8_t)mask << 2) | D_PULLUPS);
}

static inline uint8_t port_b_of(uint16_t mask, bool feed)
{
    uint8_t value = B_AUXILIARY; /* its pull-up */
    if (feed)
        value |= B_FEED | B_LAMP;
    if (mask & 0x40u)
        value |= _BV(PB0);
    if (mask & 0x80u)
        value |= _BV(PB1);
    if (mask & 0x100u)
        value |= B_SOURCE;
    return value;
}

void pins_begin(void);

#endif
