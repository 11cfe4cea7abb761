/* Critical sections on the AVR: the interrupt flag. */
#ifndef BENCHRIG_PORT_LOCK_H
#define BENCHRIG_PORT_LOCK_H

#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdint.h>

static inline uint8_t port_lock(void)
{
    uint8_t was = SREG;
    cli();
    return was;
}

static inline void port_unlock(uint8_t was)
{
    __asm__ volatile("" ::: "memory");
    SREG = was;
}

#endif
