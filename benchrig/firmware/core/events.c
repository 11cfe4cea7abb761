#include "events.h"

#include "frames.h"
#include "port.h"
#include "wire.h"

#define QUEUE 14u /* entries */
#define KEPT 3u   /* of them never taken by edges, so that an end or a fault is told */

struct event {
    uint8_t id;
    uint8_t code;  /* edge: cause; fault: reason */
    uint16_t a;    /* edge: number; fault: detail; finished: schedule */
    uint16_t b;    /* edge: mask; finished: repeats */
    uint32_t tick;
};

volatile uint16_t edges_counted;
static struct event queue[QUEUE];
volatile uint8_t events_waiting;
static volatile uint8_t first, lost;
static uint8_t unasked;

void events_reset(void)
{
    first = events_waiting = lost = unasked = 0;
    edges_counted = 0;
}

uint8_t unasked_next(void)
{
    return unasked++;
}

void unasked_skip(void)
{
    unasked++;
}

static void push(uint8_t id, uint8_t code, uint16_t a, uint16_t b, uint32_t tick)
{
    if (events_waiting >= (id == EDGE ? QUEUE - KEPT : QUEUE)) {
        lost++;
        return;
    }
    uint8_t place = (uint8_t)(first + events_waiting);
    if (place >= QUEUE)
        place = (uint8_t)(place - QUEUE);
    struct event *event = &queue[place];
    event->id = id;
    event->code = code;
    event->a = a;
    event->b = b;
    event->tick = tick;
    events_waiting++;
}

void event_edge(uint32_t tick, uint16_t mask, uint8_t cause)
{
    uint8_t was = port_lock();
    push(EDGE, cause, edges_counted, mask, tick);
    edges_counted++;
    port_unlock(was);
}

void event_fault(uint8_t fault, uint16_t detail, uint32_t tick)
{
    uint8_t was = port_lock();
    push(FAULT_MESSAGE, fault, detail, 0, tick);
    port_unlock(was);
}

void event_finished(uint16_t schedule_id, uint16_t repeats_done, uint32_t tick)
{
    uint8_t was = port_lock();
    push(FINISHED, 0, schedule_id, repeats_done, tick);
    port_unlock(was);
}

static void put_u16(uint16_t value)
{
    transmit_put((uint8_t)value);
    transmit_put((uint8_t)(value >> 8));
}

static void put_u32(uint32_t value)
{
    put_u16((uint16_t)value);
    put_u16((uint16_t)(value >> 16));
}

static void write(const struct event *event)
{
    transmit_put(event->id);
    transmit_put(unasked_next());
    if (event->id == EDGE) {
        put_u16(event->a);
        put_u32(event->tick);
        put_u16(event->b);
        transmit_put(event->code);
    } else if (event->id == FAULT_MESSAGE) {
        transmit_put(event->code);
        put_u16(event->a);
        put_u32(event->tick);
    } else {
        put_u16(event->a);
        put_u16(event->b);
        put_u32(event->tick);
    }
    transmit_end();
}

bool events_send(void)
{
    bool sent = false;
    if (events_waiting && transmit_begin(2 + 9)) {
        struct event event;
        uint8_t was = port_lock();
        event = queue[first];
        first = (uint8_t)(first + 1u == QUEUE ? 0u : first + 1u);
        events_waiting--;
        port_unlock(was);
        write(&event);
        sent = true;
    }
    if (lost && !events_waiting) {
        uint8_t was = port_lock();
        unasked = (uint8_t)(unasked + lost);
        lost = 0;
        port_unlock(was);
    }
    return sent;
}
