/* Analogue inputs: one conversion a slot for the stream, spare ones for the current trip. */
#ifndef BENCHRIG_SAMPLING_H
#define BENCHRIG_SAMPLING_H

void sampling_begin(void);
void sampling_tick(void);

#endif
