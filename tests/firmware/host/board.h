/* A board without a processor: the core's port as plain variables on virtual ticks. */
#ifndef BENCHRIG_BOARD_H
#define BENCHRIG_BOARD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct board {
    uint32_t now;
    uint16_t mask;
    bool feed;
    bool line_stuck; /* nothing is taken from the transmit ring */
    uint16_t codes[8];
    uint8_t out[1 << 20];
    size_t out_length;
};

extern struct board board;

void board_boot(uint8_t reset_cause);
void board_receive(const uint8_t *bytes, size_t count);
void board_advance(uint32_t ticks);

/* Aborts when what must always hold does not. */
void board_check(void);

#endif
