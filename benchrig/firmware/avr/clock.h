/* Timers: 0 counts cycles, 1 counts ticks of 0.5 us, 2 makes slots of 50 us; every second slot
 * the housekeeping tick follows half way through. */
#ifndef BENCHRIG_CLOCK_H
#define BENCHRIG_CLOCK_H

#include <stdint.h>

#define SLOT_COUNTS 100u /* of timer 2 at 16 MHz / 8: as long as a tick of timer 1 */

void clock_begin(void);

/* What timer 0 reads when timer 1 turns to this count: the cycle within the tick. */
uint8_t clock_phase_at(uint16_t timer1_count);

/* Set by each housekeeping tick; the watchdog is fed only if it was. */
extern volatile uint8_t tick_lives;

/* While it runs it is not unmasked again: under overload it is skipped, never nested. */
extern volatile uint8_t tick_runs;

#endif
