/* What the core needs of a board. The AVR port and the host build of the tests supply it. */
#ifndef BENCHRIG_PORT_H
#define BENCHRIG_PORT_H

#include <stdbool.h>
#include <stdint.h>

/* Short critical sections; they nest: uint8_t port_lock(void), void port_unlock(uint8_t). */
#include "port_lock.h"

/* Ticks of TICK_NS since the start, wrapping. */
uint32_t port_now(void);

/* Gate pins now; and what the pins, not a variable, say. */
void port_outputs(uint16_t mask);
uint16_t port_outputs_readback(void);

void port_feed(bool closed);
bool port_feed_readback(void);

/* Play the edges of player_rewind() and player_prepare(), the first at this tick, and tell each
 * by rig_edge_made(). Or stop at once. */
void port_edges_start(uint32_t first_tick);
void port_edges_stop(void);

/* Convert once every so many slots of CONVERSION_US_MIN, or stop. Returns the first one's tick. */
uint32_t port_sampling_start(uint16_t slots);
void port_sampling_stop(void);

/* Bytes wait in the transmit ring. */
void port_transmit(void);

#endif
