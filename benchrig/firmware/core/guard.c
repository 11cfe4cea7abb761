#include "guard.h"

#include "declared.h"
#include "events.h"
#include "port.h"
#include "rom.h"
#include "wire.h"

/* A heartbeat is stamped when the main loop has read it, up to a millisecond after its end. */
#define STAMP_DELAY_US 500UL
#define SILENCE_TICKS ((HEARTBEAT_SILENCE_US - STAMP_DELAY_US) * TICKS_PER_US)
#define SETTLE_TICKS (FEED_SETTLE_US / GUARD_TICK_US)
#define AGES_TICKS 0x80000000UL /* from here on a silence is no longer counted */
#define TRIP_EVERY_TICKS 2u /* three conversions within 600 us */

struct latch latch NOINIT;
volatile uint8_t rig_state;
volatile uint16_t outputs_on;
volatile bool feed_closed;
volatile uint16_t feed_settle_left;
volatile bool trip_due;
volatile bool break_seen;

volatile uint16_t switched_on;
volatile uint32_t switched_tick;

/* By the clock, not by counting calls: it holds under any load. */
static volatile uint32_t beat_tick;
static volatile bool beating, never_beaten, ages_ago;
static volatile bool missed;
volatile bool guard_held;
static uint32_t on_since[OUTPUT_COUNT];
static uint16_t on_before;
volatile uint8_t over_count;
static uint8_t trip_countdown;

static uint16_t latch_check(void)
{
    uint16_t sum = (uint16_t)(0xB51Du + latch.fault + ((uint16_t)latch.energised << 8));
    sum += latch.detail;
    sum += (uint16_t)latch.tick;
    return (uint16_t)(sum + (uint16_t)(latch.tick >> 16));
}

static void latch_set(uint8_t fault, uint16_t detail, uint32_t tick)
{
    latch.fault = fault;
    latch.detail = detail;
    latch.tick = tick;
    latch.check = latch_check();
}

void guard_note_energised(void)
{
    uint8_t was = port_lock();
    latch.energised = feed_closed || rig_state == RUNNING;
    latch.check = latch_check();
    port_unlock(was);
}

/* What the reset says, with what the memory still knows, becomes the fault that is latched. */
static uint8_t fault_after(uint8_t reset_cause, bool remembered)
{
    bool live = !remembered || latch.energised; /* not knowing counts as energised */
    switch (reset_cause) {
    case RESET_WATCHDOG:
        return live ? FAULT_WATCHDOG : FAULT_NONE;
    case RESET_BROWN_OUT:
        return live ? FAULT_BROWN_OUT : FAULT_NONE;
    case RESET_UNKNOWN: /* a jump to 0: a crash, or a boot loader that hid the cause */
        return remembered && latch.energised ? FAULT_INTERNAL : FAULT_NONE;
    default:
        return FAULT_NONE;
    }
}

void guard_boot(uint8_t reset_cause)
{
    bool fresh = reset_cause == RESET_POWER_ON || reset_cause == RESET_EXTERNAL;
    bool remembered = latch.check == latch_check() && latch.fault < FAULT_COUNT;
    if (fresh || !remembered || latch.fault == FAULT_NONE)
        latch_set(fault_after(reset_cause, remembered && !fresh), 0, 0);
    outputs_on = on_before = switched_on = 0;
    feed_closed = false;
    beating = ages_ago = false;
    never_beaten = true;
    over_count = trip_countdown = 0;
    feed_settle_left = 0;
    guard_held = missed = break_seen = false;
    trip_due = false;
    rig_state = latch.fault == FAULT_NONE ? IDLE : FAULT;
    guard_note_energised();
}

void outputs_off(uint8_t cause)
{
    uint8_t was = port_lock();
    port_edges_stop();
    port_outputs(0);
    uint32_t now = port_now();
    bool changed = outputs_on != 0;
    outputs_on = 0;
    if (rig_state == RUNNING)
        rig_state = IDLE;
    port_unlock(was);
    guard_note_energised();
    if (changed)
        event_edge(now, 0, cause);
}

static void feed_set(bool closed)
{
    uint8_t was = port_lock();
    port_feed(closed);
    uint32_t now = port_now();
    bool changed = feed_closed != closed;
    feed_closed = closed;
    if (changed)
        feed_settle_left = closed ? SETTLE_TICKS + 1u : 0u;
    port_unlock(was);
    guard_note_energised();
    if (changed)
        event_edge(now, outputs_on, CAUSE_FEED);
}

void feed_open(void)
{
    feed_set(false);
}

void feed_close(void)
{
    feed_set(true);
}

void guard_fault(uint8_t fault, uint16_t detail)
{
    bool first = rig_state != FAULT;
    outputs_off(CAUSE_FAULT);
    feed_open();
    if (first) {
        uint8_t was = port_lock();
        uint32_t now = port_now();
        rig_state = FAULT;
        latch_set(fault, detail, now);
        port_unlock(was);
        event_fault(fault, detail, now);
    }
}

void guard_clear(void)
{
    uint8_t was = port_lock();
    rig_state = IDLE;
    latch_set(FAULT_NONE, 0, 0);
    port_unlock(was);
}

static void watch_break(void)
{
    if (!break_seen)
        return;
    break_seen = false;
    if (feed_closed || rig_state == RUNNING) {
        guard_fault(FAULT_SERIAL_BREAK, 0);
    } else {
        outputs_off(CAUSE_ALL_OFF);
        feed_open();
    }
}

void guard_heartbeat(void)
{
    uint8_t was = port_lock();
    beat_tick = port_now();
    beating = true;
    never_beaten = ages_ago = false;
    port_unlock(was);
}

bool guard_heartbeat_alive(void)
{
    return beating;
}

uint32_t guard_silence_us(void)
{
    uint8_t was = port_lock();
    uint32_t ticks = ages_ago ? AGES_TICKS : port_now() - beat_tick;
    port_unlock(was);
    return never_beaten ? UINT32_MAX : ticks / TICKS_PER_US;
}

static void watch_silence(uint32_t now)
{
    if (beating) {
        uint8_t was = port_lock();
        if ((int32_t)(now - beat_tick) >= (int32_t)SILENCE_TICKS)
            beating = false;
        port_unlock(was);
    } else if (now - beat_tick >= AGES_TICKS) {
        ages_ago = true;
    }
    if (!beating && (feed_closed || rig_state == RUNNING))
        guard_fault(FAULT_HEARTBEAT_SILENCE, 0);
}

static int32_t ceiling_ticks(uint8_t output)
{
    return (int32_t)(output == SOURCE_OUTPUT ? SOURCE_ON_US_MAX : SWITCHED_ON_US_MAX)
        * (int32_t)TICKS_PER_US;
}

/* By the gate pins themselves: an output that is on without a schedule is timed as well, from
 * when it was first seen. */
static void watch_ceilings(uint32_t now)
{
    uint8_t was = port_lock();
    uint16_t on = port_outputs_readback();
    uint16_t made = switched_on;
    uint32_t made_tick = switched_tick;
    switched_on = 0;
    port_unlock(was);
    uint16_t found = (uint16_t)(on & ~on_before);
    on_before = on;
    for (uint8_t output = 0; on; output++, on >>= 1, made >>= 1, found >>= 1) {
        if (!(on & 1u))
            continue;
        if (made & 1u)
            on_since[output] = made_tick;
        else if (found & 1u)
            on_since[output] = now;
        if ((int32_t)(now - on_since[output]) > ceiling_ticks(output))
            guard_fault(FAULT_ON_TIME_CEILING, output);
    }
}

static uint8_t lowest_output(uint16_t mask)
{
    uint8_t output = 0;
    for (; !(mask & 1u); mask >>= 1)
        output++;
    return output;
}

static void watch_trip(void)
{
    uint8_t on = (uint8_t)outputs_on;
    if (!on) {
        trip_countdown = 0;
        trip_due = false;
        over_count = 0;
    } else if (over_count == TRIP_CONVERSIONS) {
        guard_fault(FAULT_OVER_CURRENT, lowest_output(on));
    } else if (trip_countdown) {
        trip_countdown--;
    } else {
        trip_countdown = TRIP_EVERY_TICKS - 1u;
        trip_due = true;
    }
}

static void watch(void)
{
    uint32_t now = port_now();
    if (feed_settle_left)
        feed_settle_left--; /* nobody else changes it but under guard_hold() */
    watch_break();
    watch_silence(now);
    watch_ceilings(now);
    watch_trip();
}

void guard_tick(void)
{
    if (guard_held)
        missed = true;
    else
        watch();
}

void guard_hold(void)
{
    guard_held = true;
}

void guard_release(void)
{
    guard_held = false;
    if (missed) {
        missed = false;
        guard_hold(); /* the one that was put off must not be interrupted by the next */
        watch();
        guard_held = false;
    }
}
