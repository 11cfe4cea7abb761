/* The layer that switches off: one latch, and the watches that trip it.
 *
 * Nothing here waits for the main loop. guard_tick() and guard_current() run from interrupts.
 */
#ifndef BENCHRIG_GUARD_H
#define BENCHRIG_GUARD_H

#include <stdbool.h>
#include <stdint.h>

#include "declared.h"

#define GUARD_TICK_US 100u
#define TRIP_CONVERSIONS 3u

/* Kept through a watchdog reset, so that the reason can be read afterwards. */
struct latch {
    uint8_t fault;
    uint8_t energised; /* feed closed or a schedule running */
    uint16_t detail;
    uint32_t tick;
    uint16_t check;
};

extern struct latch latch;
extern volatile uint8_t rig_state;      /* enum rig_state */
extern volatile uint16_t outputs_on;    /* commanded */
extern volatile bool feed_closed;
extern volatile uint16_t switched_on; /* outputs switched on since the last guard_tick() */
extern volatile uint32_t switched_tick; /* and when the last of them was */
extern volatile uint16_t feed_settle_left; /* guard ticks until its contacts have come to rest */

void guard_boot(uint8_t reset_cause);

/* Every GUARD_TICK_US. */
void guard_tick(void);

/* Between these a request switches something in several short steps: a fault that is found
 * meanwhile is put off for those microseconds, so that what is told comes in order. */
void guard_hold(void);
void guard_release(void);
extern volatile bool guard_held;

/* Each conversion of the trip input. Inline: it runs in the converter's interrupt; what it
 * finds is acted on by the next guard_tick(). */
extern volatile uint8_t over_count;
INLINE void guard_current(uint16_t code)
{
    if (code <= TRIP_CODE)
        over_count = 0;
    else if (over_count < TRIP_CONVERSIONS)
        over_count++;
}

/* True when the trip input is due for a conversion of its own. */
extern volatile bool trip_due;

/* A serial break was seen: set from any level, acted on by the next tick. */
extern volatile bool break_seen;

void guard_heartbeat(void);
bool guard_heartbeat_alive(void);
uint32_t guard_silence_us(void);

/* Drops everything and latches the first reason. */
void guard_fault(uint8_t fault, uint16_t detail);
void guard_clear(void);

/* All outputs off and the schedule ended; cause ALL_OFF or FAULT goes with the edge. */
void outputs_off(uint8_t cause);
void feed_open(void);
void feed_close(void);

/* Keeps latch.energised true to the state; call after every change of either. */
void guard_note_energised(void);

#endif
