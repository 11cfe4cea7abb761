#include "pins.h"

#include "../core/port.h"

static bool feed_pin;

/* Levels before directions: no gate sees a pulse. */
void pins_begin(void)
{
    feed_pin = false;
    PORTD = port_d_of(0);
    PORTB = port_b_of(0, false);
    DDRD = D_OUTPUTS;
    DDRB = B_OUTPUTS;
    DIDR0 = 0x3F;
}

void port_outputs(uint16_t mask)
{
    uint8_t was = port_lock();
    PORTD = port_d_of(mask);
    PORTB = port_b_of(mask, feed_pin);
    port_unlock(was);
}

uint16_t port_outputs_readback(void)
{
    uint8_t d = PIND;
    uint8_t b = PINB;
    uint16_t mask = (uint8_t)(d >> 2);
    if (b & _BV(PB0))
        mask |= 0x40u;
    if (b & _BV(PB1))
        mask |= 0x80u;
    if (b & B_SOURCE)
        mask |= 0x100u;
    return mask;
}

void port_feed(bool closed)
{
    uint8_t was = port_lock();
    feed_pin = closed;
    if (closed)
        PORTB |= B_FEED | B_LAMP;
    else
        PORTB &= (uint8_t)~(B_FEED | B_LAMP);
    port_unlock(was);
}

bool port_feed_readback(void)
{
    return !(PINB & B_AUXILIARY);
}
