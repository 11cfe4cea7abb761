/* The serial line: 1 Mbaud, bytes through interrupts, and the watch for a break. */
#ifndef BENCHRIG_SERIAL_H
#define BENCHRIG_SERIAL_H

#include <stdbool.h>
#include <stdint.h>

void serial_begin(void);

/* Sending rests in between; not to be nested. */
void serial_pause(void);
void serial_go_on(void);

#define SERIAL_RING 64u
extern volatile uint8_t serial_ring[SERIAL_RING];
extern volatile uint8_t serial_head, serial_tail;

static inline bool serial_waits(void)
{
    return serial_head != serial_tail;
}

static inline uint8_t serial_peek(void)
{
    return serial_ring[serial_tail];
}

static inline void serial_drop(void)
{
    serial_tail = (uint8_t)((serial_tail + 1u) % SERIAL_RING);
}

#endif
