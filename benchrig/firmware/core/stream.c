#include "stream.h"

#include "events.h"
#include "frames.h"
#include "port.h"

#define BLOCK_TICKS_MOST (20000UL * TICKS_PER_US) /* a slow stream is told in short blocks */
#define ROOM_FOR_OTHERS 64u /* an answer and an event need not wait behind blocks */
#define SLOT_TICKS (CONVERSION_US_MIN * TICKS_PER_US)

struct stream stream;
struct capture capture;
struct block blocks[BLOCKS];
volatile uint8_t blocks_full;
volatile uint16_t blocks_counted;
volatile uint16_t blocks_dropped;

static uint8_t first;         /* oldest full block */
static uint8_t stamped;       /* so many of the full blocks have their tick */
static uint16_t next_number;  /* of the block that next_tick belongs to */
static uint32_t next_tick;
static uint32_t block_ticks;

static void begin_capture(void)
{
    blocks_counted = blocks_dropped = 0;
    next_number = 0;
    capture.at = 0;
    capture.skipping = blocks_full == BLOCKS;
    capture.left = stream.codes_per_block;
    capture.put = blocks[capture.filling].codes;
}

void stream_reset(void)
{
    stream.input_count = stream.number = stream.codes_per_block = 0;
    stream.inputs_mask = 0;
    blocks_full = first = stamped = 0;
    capture.filling = 0;
    begin_capture();
}

uint32_t stream_period_least_us(uint8_t inputs)
{
    return (uint32_t)inputs * CONVERSION_US_MIN;
}

/* Blocks are evenly spaced, so their numbers tell their ticks; dropped ones took theirs too. */
static void stamp_blocks(void)
{
    for (; stamped < blocks_full; stamped++) {
        struct block *block = &blocks[(first + stamped) % BLOCKS];
        for (; next_number != block->number; next_number++) {
            next_tick += block_ticks;
            unasked_skip();
        }
        block->tick = next_tick;
        block->stream = stream.number;
        next_tick += block_ticks;
        next_number++;
    }
}

/* Whole scans of the block that was being filled are still told. */
static void end_partial_block(void)
{
    uint8_t count = (uint8_t)(stream.codes_per_block - capture.left);
    count = (uint8_t)(count - count % stream.input_count);
    if (!count)
        return;
    if (capture.skipping) {
        blocks_dropped++;
    } else {
        blocks[capture.filling].number = blocks_counted;
        blocks[capture.filling].count = count;
        capture.filling = (uint8_t)((capture.filling + 1u) % BLOCKS);
        blocks_full++;
    }
    blocks_counted++;
}

void stream_stop(void)
{
    port_sampling_stop();
    if (!stream.input_count)
        return;
    end_partial_block();
    stamp_blocks();
    stream.input_count = 0;
    stream.inputs_mask = 0;
}

uint32_t stream_scan_ticks(void)
{
    return (uint32_t)stream.slots * SLOT_TICKS * stream.input_count;
}

static void set_block(void)
{
    uint32_t scan_ticks = stream_scan_ticks();
    uint8_t scans = (uint8_t)(CODES_MAX / stream.input_count);
    while (scans > 1u && scans * scan_ticks > BLOCK_TICKS_MOST)
        scans--;
    stream.codes_per_block = (uint8_t)(scans * stream.input_count);
    block_ticks = scans * scan_ticks;
}

void stream_begin(uint16_t inputs_mask, uint32_t scan_period_us)
{
    stream_stop();
    uint8_t n = 0;
    for (uint8_t input = 0; input < INPUT_COUNT; input++)
        if (inputs_mask & (1u << input))
            stream.inputs[n++] = input;
    stream.inputs_mask = inputs_mask;
    stream.input_count = n;
    stream.number++;
    uint32_t round_us = stream_period_least_us(n); /* whole slots, never faster than asked */
    stream.slots = (uint16_t)((scan_period_us + round_us - 1u) / round_us);
    set_block();
    begin_capture();
    next_tick = port_sampling_start(stream.slots);
}

static uint8_t packed_length(uint8_t count)
{
    return (uint8_t)((count * CODE_BITS + 7u) / 8u);
}

/* Ten bits each, least significant first: never more than sixteen bits in hand. */
static void put_packed(const uint16_t *codes, uint8_t count)
{
    uint16_t bits = 0;
    uint8_t held = 0;
    for (; count; count--) {
        bits |= (uint16_t)(*codes++ << held);
        transmit_put((uint8_t)bits);
        bits >>= 8;
        held += CODE_BITS - 8u;
        if (held == 8u) {
            transmit_put((uint8_t)bits);
            bits = 0;
            held = 0;
        }
    }
    if (held)
        transmit_put((uint8_t)bits);
}

static void put_block(const struct block *block)
{
    transmit_put(SAMPLES);
    transmit_put(unasked_next());
    transmit_put(block->stream);
    transmit_put((uint8_t)block->number);
    transmit_put((uint8_t)(block->number >> 8));
    uint32_t tick = block->tick;
    for (uint8_t i = 4; i; i--, tick >>= 8)
        transmit_put((uint8_t)tick);
    transmit_put(block->count);
    put_packed(block->codes, block->count);
    transmit_end();
}

bool stream_send(void)
{
    if (!blocks_full)
        return false;
    stamp_blocks();
    const struct block *block = &blocks[first];
    uint8_t length = (uint8_t)(10u + packed_length(block->count));
    if (!transmit_has_room((uint8_t)(length + ROOM_FOR_OTHERS)) || !transmit_begin(length))
        return false;
    put_block(block);
    uint8_t was = port_lock();
    first = (uint8_t)((first + 1u) % BLOCKS);
    blocks_full--;
    stamped--;
    port_unlock(was);
    return true;
}
