/* The stream: which inputs, how often, and the blocks their codes are gathered in. */
#ifndef BENCHRIG_STREAM_H
#define BENCHRIG_STREAM_H

#include <stdbool.h>
#include <stdint.h>

#include "declared.h"

#define BLOCKS 4u
#define CODES_MAX 40u /* 50 bytes packed: the frame is a quarter of the transmit ring */

struct stream {
    uint8_t inputs[INPUT_COUNT]; /* in rising order */
    uint8_t input_count;         /* 0: not streaming */
    uint8_t number;
    uint8_t codes_per_block; /* whole scans */
    uint16_t inputs_mask;
    uint16_t slots; /* of CONVERSION_US_MIN from one conversion to the next */
};

struct block {
    uint16_t number;
    uint32_t tick;
    uint8_t stream;
    uint8_t count;
    uint16_t codes[CODES_MAX];
};

/* Where the converter's interrupt puts codes. */
struct capture {
    uint16_t *put;
    uint8_t left;    /* codes until the block is full */
    uint8_t filling; /* which block */
    uint8_t at;      /* place in the scan */
    bool skipping;   /* no room: the block is numbered, its codes are not kept */
};

extern struct stream stream;
extern struct capture capture;
extern struct block blocks[BLOCKS];
extern volatile uint8_t blocks_full;
extern volatile uint16_t blocks_counted;
extern volatile uint16_t blocks_dropped;

void stream_reset(void);

/* The least scan period for that many inputs, us. */
uint32_t stream_period_least_us(uint8_t inputs);
void stream_begin(uint16_t inputs_mask, uint32_t scan_period_us);
void stream_stop(void);
uint32_t stream_scan_ticks(void);

bool stream_send(void);

/* From the port: the input to convert next. */
INLINE uint8_t stream_input(void)
{
    return stream.inputs[capture.at];
}

/* From the port, when a conversion is done: on to the next input. */
INLINE void stream_next(void)
{
    uint8_t at = capture.at + 1u;
    capture.at = at == stream.input_count ? 0u : at;
}

/* And its code. Inline and without calls: it runs 20 000 times a second. */
INLINE void stream_code(uint16_t code)
{
    if (!capture.skipping)
        *capture.put++ = code;
    if (--capture.left)
        return;
    if (capture.skipping) {
        blocks_dropped++;
    } else {
        blocks[capture.filling].number = blocks_counted;
        blocks[capture.filling].count = stream.codes_per_block;
        capture.filling = (uint8_t)((capture.filling + 1u) % BLOCKS);
        blocks_full++;
    }
    blocks_counted++;
    capture.left = stream.codes_per_block;
    capture.skipping = blocks_full == BLOCKS;
    capture.put = blocks[capture.filling].codes;
}

#endif
