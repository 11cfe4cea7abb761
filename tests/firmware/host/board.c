#include "board.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "../../../benchrig/firmware/core/frames.h"
#include "../../../benchrig/firmware/core/guard.h"
#include "../../../benchrig/firmware/core/port.h"
#include "../../../benchrig/firmware/core/rig.h"
#include "../../../benchrig/firmware/core/stream.h"
#include "../../../benchrig/firmware/core/wire.h"

#define GUARD_TICKS (GUARD_TICK_US * TICKS_PER_US)
#define SLOT_TICKS (CONVERSION_US_MIN * TICKS_PER_US)

struct board board;

static struct {
    bool playing, sampling;
    struct edge edge;
    uint32_t edge_tick, slot_tick, guard_tick;
    uint16_t slots, slots_left;
    uint8_t waiting[4096];
    size_t waiting_length;
} port;

uint32_t port_now(void) { return board.now; }
void port_outputs(uint16_t mask) { board.mask = mask; }
uint16_t port_outputs_readback(void) { return board.mask; }
void port_feed(bool closed) { board.feed = closed; }
bool port_feed_readback(void) { return board.feed; }
void port_edges_stop(void) { port.playing = false; }
void port_sampling_stop(void) { port.sampling = false; }
void port_transmit(void) {}

void port_edges_start(uint32_t first_tick)
{
    player_rewind(&port.edge);
    port.edge_tick = first_tick;
    port.playing = true;
}

uint32_t port_sampling_start(uint16_t slots)
{
    port.slots = slots;
    port.slots_left = 2;
    port.sampling = true;
    return port.slot_tick + SLOT_TICKS;
}

static void drain(void)
{
    while (!board.line_stuck && transmit_tail != transmit_head) {
        if (board.out_length == sizeof board.out)
            abort();
        board.out[board.out_length++] = transmit_ring[transmit_tail];
        transmit_tail++;
    }
}

static void main_loop(void)
{
    bool busy = true;
    while (busy) {
        size_t used = 0;
        while (used < port.waiting_length && rig_take(port.waiting[used]))
            used++;
        memmove(port.waiting, port.waiting + used, port.waiting_length - used);
        port.waiting_length -= used;
        busy = rig_send() || used;
        drain();
    }
}

static void slot(void)
{
    if (trip_due && !port.sampling) {
        trip_due = false;
        guard_current(board.codes[TRIP_INPUT]);
    }
    if (!port.sampling || --port.slots_left)
        return;
    port.slots_left = port.slots;
    uint8_t input = stream_input();
    stream_next();
    if (trip_due || input == TRIP_INPUT) {
        trip_due = false;
        guard_current(board.codes[TRIP_INPUT]);
    }
    stream_code(board.codes[input] & 0x3FFu);
}

static void edge(void)
{
    board.mask = port.edge.mask;
    rig_edge_made(&port.edge, port.edge_tick);
    port.playing = rig_state == RUNNING;
    if (!port.playing)
        return;
    player_prepare(&port.edge);
    port.edge_tick += port.edge.delay_ticks;
}

static uint32_t until(uint32_t tick) { return tick - board.now; }

static void step(uint32_t most)
{
    uint32_t next = most;
    if (port.playing && until(port.edge_tick) < next)
        next = until(port.edge_tick);
    if (until(port.slot_tick) < next)
        next = until(port.slot_tick);
    if (until(port.guard_tick) < next)
        next = until(port.guard_tick);
    board.now += next;
    if (port.playing && board.now == port.edge_tick)
        edge();
    if (board.now == port.slot_tick) {
        port.slot_tick += SLOT_TICKS;
        slot();
    }
    if (board.now == port.guard_tick) {
        port.guard_tick += GUARD_TICKS;
        guard_tick();
    }
    main_loop();
    board_check();
}

void board_advance(uint32_t ticks)
{
    uint32_t end = board.now + ticks;
    while (board.now != end)
        step(end - board.now);
}

void board_receive(const uint8_t *bytes, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (port.waiting_length == sizeof port.waiting)
            return;
        port.waiting[port.waiting_length++] = bytes[i];
        main_loop();
        board_check();
    }
}

void board_boot(uint8_t reset_cause)
{
    static const uint8_t id[8] = {1, 2, 3, 4, 5, 6, 7, 8};
    memset(&port, 0, sizeof port);
    board.mask = 0;
    board.feed = false;
    board.now = 0;
    port.slot_tick = SLOT_TICKS;
    port.guard_tick = GUARD_TICKS;
    rig_boot(reset_cause, 1, id);
    board_check();
}

static void must(bool holds, const char *what)
{
    if (!holds) {
        fprintf(stderr, "broken: %s\n", what);
        abort();
    }
}

void board_check(void)
{
    must(rig_state == IDLE || rig_state == RUNNING || rig_state == FAULT, "a state that is none");
    must(rig_state == RUNNING || board.mask == 0, "an output on without a schedule");
    must(rig_state != FAULT || !board.feed, "feed closed in a fault");
    must((rig_state == FAULT) == (latch.fault != FAULT_NONE), "latch and state disagree");
    must(board.mask == outputs_on, "pins and command disagree");
    must(board.feed == feed_closed, "feed pin and command disagree");
    uint16_t switched = board.mask & SWITCHED_MASK;
    must(!(switched & (switched - 1u)), "two outputs on one shunt on together");
    must(!(board.mask & SOURCE_BIT) || switched, "the source on alone");
    must(!(board.mask & SOURCE_BIT) || !board.feed, "the source on with the feed closed");
}
