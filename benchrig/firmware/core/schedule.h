/* The schedule: kept, checked as a whole when committed, played edge by edge. */
#ifndef BENCHRIG_SCHEDULE_H
#define BENCHRIG_SCHEDULE_H

#include <stdbool.h>
#include <stdint.h>

#include "declared.h"

struct step {
    uint32_t duration_us;
    uint16_t outputs_mask;
    int16_t change_us;
};

struct refusal {
    uint8_t reason; /* 0: nothing to refuse */
    uint32_t detail;
};

struct schedule {
    struct step steps[STEPS_MAX];
    uint32_t present; /* bit per step received */
    uint16_t id;      /* 0: none begun */
    uint16_t repeat_count;
    uint8_t step_count;
    bool committed;
};

extern struct schedule schedule;

void schedule_forget(void);
struct refusal schedule_check(void);
uint16_t schedule_outputs(void);
uint16_t schedule_crc(void);

/* One thing to do after the last one. An edge may repeat the mask: long steps go in pieces. */
struct edge {
    uint16_t delay_ticks;
    uint16_t mask;
    bool wraps; /* a pass has ended with it */
    bool ends;  /* the schedule's end, no edge */
};

extern volatile uint16_t repeats_done;

/* The first edge is due at once: its delay is 0. */
void player_rewind(struct edge *edge);
void player_prepare(struct edge *edge);

#endif
