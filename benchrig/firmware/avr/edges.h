/* Edges of a running schedule. */
#ifndef BENCHRIG_EDGES_H
#define BENCHRIG_EDGES_H

/* Every housekeeping tick: a missed edge drops everything. */
void edges_tick(void);

#endif
