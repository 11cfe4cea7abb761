/* Requests in, answers out; and the edges of a running schedule. */
#ifndef BENCHRIG_RIG_H
#define BENCHRIG_RIG_H

#include <stdbool.h>
#include <stdint.h>

#include "events.h"
#include "guard.h"
#include "schedule.h"
#include "stream.h"

void rig_boot(uint8_t reset_cause, uint16_t boot_count, const uint8_t unique_id[8]);

/* Takes one received byte, unless an answer still waits for room: then false, and again later. */
bool rig_take(uint8_t byte);

/* Whether anything waits to be sent: asked at every waking, so it must cost next to nothing. */
extern volatile bool answer_waits;
static inline bool rig_has_news(void)
{
    return answer_waits || events_waiting || blocks_full;
}

/* Sends what waits: answer, events, blocks. True if anything was sent. */
bool rig_send(void);

/* From the port, once for each edge of player_prepare() that it made, at this tick. */
void rig_edge_made(const struct edge *edge, uint32_t tick);

#endif
