/* What happened, numbered and stamped at once, told to the host when the line has room. */
#ifndef BENCHRIG_EVENTS_H
#define BENCHRIG_EVENTS_H

#include <stdbool.h>
#include <stdint.h>

extern volatile uint16_t edges_counted;

void events_reset(void);

/* Callable from any interrupt level. */
void event_edge(uint32_t tick, uint16_t mask, uint8_t cause);
void event_fault(uint8_t fault, uint16_t detail, uint32_t tick);
void event_finished(uint16_t schedule_id, uint16_t repeats_done, uint32_t tick);

/* Sends one, if it fits: the caller has a watchdog to feed. True if it was sent. */
bool events_send(void);
extern volatile uint8_t events_waiting;

/* The running number of the next unasked message; a message that is dropped takes one too. */
uint8_t unasked_next(void);
void unasked_skip(void);

#endif
