#include "rig.h"

#include "events.h"
#include "frames.h"
#include "guard.h"
#include "port.h"
#include "stream.h"
#include "wire.h"

#define START_LEAD_TICKS (400u * TICKS_PER_US) /* time to answer before the first edge */

static struct {
    uint8_t payload[ANSWER_PAYLOAD_MAX];
    uint8_t length;
} answer;

volatile bool answer_waits; /* not sent yet for want of room */

static struct {
    bool valid;
    uint8_t id, sequence, length;
    uint16_t crc;
} last;

static struct {
    uint8_t reset_cause;
    uint16_t boot_count;
    uint8_t unique_id[8];
} about;

void rig_boot(uint8_t reset_cause, uint16_t boot_count, const uint8_t unique_id[8])
{
    about.reset_cause = reset_cause;
    about.boot_count = boot_count;
    for (uint8_t i = 0; i < 8; i++)
        about.unique_id[i] = unique_id[i];
    last.valid = answer_waits = false;
    frames_reset();
    events_reset();
    stream_reset();
    schedule_forget();
    guard_boot(reset_cause);
}

/* --- the answer under construction --- */

static void put_u8(uint8_t value)
{
    answer.payload[answer.length++] = value;
}

static void put_u16(uint16_t value)
{
    put_u8((uint8_t)value);
    put_u8((uint8_t)(value >> 8));
}

static void put_u32(uint32_t value)
{
    put_u16((uint16_t)value);
    put_u16((uint16_t)(value >> 16));
}

static void begin(uint8_t id)
{
    answer.length = 0;
    put_u8(id);
    put_u8(frame_payload[1]);
}

static void accept_at(uint32_t tick)
{
    begin(ACCEPTED);
    put_u8(frame_payload[0]);
    put_u32(tick);
}

static void accept(void)
{
    accept_at(port_now());
}

static void refuse(uint8_t reason, uint32_t detail)
{
    begin(REFUSED);
    put_u8(frame_payload[0]);
    put_u8(reason);
    put_u32(detail);
}

/* --- requests --- */

static void answer_hello(const uint8_t *body)
{
    if (body[0] != PROTOCOL_MAJOR) {
        refuse(VERSION_NOT_SPOKEN, PROTOCOL_MAJOR);
        return;
    }
    begin(IDENTITY);
    put_u8(PROTOCOL_MAJOR);
    put_u8(PROTOCOL_MINOR);
    put_u8(FIRMWARE_MAJOR);
    put_u8(FIRMWARE_MINOR);
    put_u8(FIRMWARE_PATCH);
    for (uint8_t i = 0; i < 8; i++)
        put_u8(about.unique_id[i]);
    put_u16(about.boot_count);
    put_u8(about.reset_cause);
    put_u8(latch.fault);
    put_u8(OUTPUT_COUNT);
    put_u8(INPUT_COUNT);
    put_u8(STEPS_MAX);
    put_u32(TICK_NS);
    put_u16(CLOCK_TOLERANCE_PPM);
    put_u32(HEARTBEAT_SILENCE_US);
    put_u32(FEED_SETTLE_US);
    put_u16(CONVERSION_US_MIN);
    put_u32(REFERENCE_MOHM);
    put_u32(SOURCE_UA);
}

static void answer_describe_output(const uint8_t *body)
{
    if (body[0] >= OUTPUT_COUNT) {
        refuse(NO_SUCH_OUTPUT, OUTPUT_COUNT);
        return;
    }
    const ROM struct output_declared *output = output_declared(body[0]);
    begin(OUTPUT_INFO);
    put_u8(body[0]);
    put_u8(output->kind);
    put_u32(output->on_us_min);
    put_u32(output->off_us_min);
    put_u32(output->on_us_max);
    put_u32(output->resolution_ns);
    put_u16(output->trip_current_ma);
    put_u8(output->clamp);
    put_u32(output->clamp_mv);
    put_u32(output->rated_operations);
}

static void answer_describe_input(const uint8_t *body)
{
    if (body[0] >= INPUT_COUNT) {
        refuse(NO_SUCH_INPUT, INPUT_COUNT);
        return;
    }
    const ROM struct input_declared *input = &inputs_declared[body[0]];
    begin(INPUT_INFO);
    put_u8(body[0]);
    put_u8(input->role);
    put_u8(CODE_BITS);
    put_u8(input->flags);
    put_u32(input->full_scale);
    put_u16(input->zero_code);
    put_u16(input->outputs_mask);
}

static uint8_t status_flags(void)
{
    uint8_t flags = 0;
    if (feed_closed)
        flags |= FLAG_FEED_CLOSED;
    if (port_feed_readback())
        flags |= FLAG_FEED_READBACK;
    if (schedule.committed)
        flags |= FLAG_SCHEDULE_COMMITTED;
    if (stream.input_count)
        flags |= FLAG_STREAMING;
    if (guard_heartbeat_alive())
        flags |= FLAG_HEARTBEAT_ALIVE;
    return flags;
}

static uint16_t settled(const volatile uint16_t *value)
{
    uint8_t was = port_lock();
    uint16_t copy = *value;
    port_unlock(was);
    return copy;
}

static uint16_t committed_id(void)
{
    return schedule.committed ? schedule.id : 0u;
}

static bool is_loading(uint16_t id)
{
    return id != 0 && id == schedule.id && !schedule.committed;
}

/* What must belong together is copied in one short lock; edges must not wait for the writing. */
static void answer_status(void)
{
    uint8_t was = port_lock();
    uint8_t state = rig_state;
    uint8_t fault = latch.fault;
    uint16_t detail = latch.detail;
    uint32_t fault_tick = latch.tick;
    uint16_t commanded = outputs_on;
    uint16_t readback = port_outputs_readback();
    uint32_t now = port_now();
    port_unlock(was);
    begin(STATUS);
    put_u8(state);
    put_u8(fault);
    put_u16(detail);
    put_u32(fault_tick);
    put_u8(status_flags());
    put_u16(commanded);
    put_u16(readback);
    put_u32(now);
    put_u16(about.boot_count);
    put_u16(committed_id());
    put_u16(settled(&repeats_done));
    put_u16(settled(&edges_counted));
    put_u16(settled(&blocks_counted));
    put_u16(settled(&blocks_dropped));
    put_u16(frames_bad);
}

static void answer_begin(const uint8_t *body)
{
    uint16_t id = get_u16(body);
    uint16_t repeats = get_u16(body + 3);
    if (id == 0) {
        refuse(BAD_VALUE, 0);
    } else if (body[2] == 0) {
        refuse(BAD_VALUE, 1);
    } else if (repeats == 0) {
        refuse(BAD_VALUE, 2);
    } else if (body[2] > STEPS_MAX) {
        refuse(TOO_MANY_STEPS, STEPS_MAX);
    } else {
        schedule_forget();
        schedule.id = id;
        schedule.step_count = body[2];
        schedule.repeat_count = repeats;
        accept();
    }
}

static void answer_step(const uint8_t *body)
{
    if (!is_loading(get_u16(body))) {
        refuse(NO_SCHEDULE, committed_id());
    } else if (body[2] >= schedule.step_count) {
        refuse(BAD_VALUE, 1);
    } else {
        struct step *step = &schedule.steps[body[2]];
        step->outputs_mask = get_u16(body + 3);
        step->duration_us = get_u32(body + 5);
        step->change_us = (int16_t)get_u16(body + 9);
        schedule.present |= 1UL << body[2];
        accept();
    }
}

static void answer_commit(const uint8_t *body)
{
    if (!is_loading(get_u16(body))) {
        refuse(NO_SCHEDULE, committed_id());
        return;
    }
    for (uint8_t i = 0; i < schedule.step_count; i++) {
        if (!(schedule.present & (1UL << i))) {
            refuse(SCHEDULE_INCOMPLETE, i);
            return;
        }
    }
    uint16_t crc = schedule_crc();
    if (crc != get_u16(body + 2)) {
        refuse(STEPS_CRC_MISMATCH, crc);
        return;
    }
    struct refusal found = schedule_check();
    if (found.reason) {
        refuse(found.reason, found.detail);
        return;
    }
    schedule.committed = true;
    accept();
}

static void answer_close_feed(void)
{
    if (outputs_on) {
        refuse(WRONG_STATE, rig_state);
    } else if (!guard_heartbeat_alive()) {
        refuse(HEARTBEAT_MISSING, guard_silence_us());
    } else {
        feed_close();
        accept();
    }
}

/* The first edge comes soon, or when the feed contactor has come to rest. */
static uint32_t first_edge_tick(void)
{
    uint32_t wait = (uint32_t)settled(&feed_settle_left) * GUARD_TICK_US * TICKS_PER_US;
    return port_now() + (wait > START_LEAD_TICKS ? wait : START_LEAD_TICKS);
}

static void start(void)
{
    uint32_t first = first_edge_tick();
    rig_state = RUNNING;
    guard_note_energised();
    port_edges_start(first);
    accept_at(first);
}

static void answer_start(const uint8_t *body)
{
    bool source = (schedule_outputs() & SOURCE_BIT) != 0;
    if (!schedule.committed || get_u16(body) != schedule.id)
        refuse(NO_SCHEDULE, committed_id());
    else if (!guard_heartbeat_alive())
        refuse(HEARTBEAT_MISSING, guard_silence_us());
    else if (source && (feed_closed || port_feed_readback()))
        refuse(FEED_MUST_BE_OPEN, 0);
    else if (!source && !feed_closed)
        refuse(FEED_MUST_BE_CLOSED, 0);
    else
        start();
}

static void answer_stream(const uint8_t *body)
{
    uint16_t mask = get_u16(body);
    uint32_t period_us = get_u32(body + 2);
    uint8_t inputs = 0;
    for (uint16_t rest = mask; rest; rest &= (uint16_t)(rest - 1u))
        inputs++;
    if (!mask) {
        refuse(BAD_VALUE, 0);
    } else if (period_us > SCAN_US_MAX) {
        refuse(BAD_VALUE, 1);
    } else if (mask >> INPUT_COUNT) {
        refuse(NO_SUCH_INPUT, INPUT_COUNT);
    } else if (period_us < stream_period_least_us(inputs)) {
        refuse(RATE_TOO_HIGH, stream_period_least_us(inputs));
    } else {
        stream_begin(mask, period_us);
        begin(STREAMING);
        put_u8(stream.number);
        put_u16(stream.inputs_mask);
        put_u8(CODE_BITS);
        put_u32(stream_scan_ticks());
    }
}

static void answer_clear_fault(const uint8_t *body)
{
    if (body[0] == FAULT_NONE || body[0] != latch.fault) {
        refuse(BAD_VALUE, 0);
        return;
    }
    guard_clear();
    accept();
}

/* --- which request, in which state --- */

static const ROM uint8_t body_lengths[] = {2, 1, 1, 0, 0, 5, 11, 4, 0, 0, 2, 0, 6, 0, 1};

static bool only_when_idle(uint8_t id)
{
    return (id >= SCHEDULE_BEGIN && id <= CLOSE_FEED) || id == START;
}

static bool refused_by_state(uint8_t id)
{
    if (rig_state == IDLE || !only_when_idle(id))
        return false;
    if (rig_state == FAULT)
        refuse(FAULT_LATCHED, latch.fault);
    else
        refuse(WRONG_STATE, RUNNING);
    return true;
}

static void switch_now(uint8_t id, const uint8_t *body)
{
    switch (id) {
    case CLOSE_FEED: answer_close_feed(); break;
    case START: answer_start(body); break;
    case CLEAR_FAULT: answer_clear_fault(body); break;
    default:
        outputs_off(CAUSE_ALL_OFF);
        if (id == OPEN_FEED)
            feed_open();
        accept();
        break;
    }
}

/* Requests that switch something, undisturbed by the guard's tick. They take microseconds. The
 * state is asked once more: the tick may have latched a fault since. */
static void switch_over(uint8_t id, const uint8_t *body)
{
    guard_hold();
    if (!refused_by_state(id))
        switch_now(id, body);
    guard_release();
}

static void carry_out(uint8_t id, const uint8_t *body)
{
    switch (id) {
    case HELLO: answer_hello(body); break;
    case DESCRIBE_OUTPUT: answer_describe_output(body); break;
    case DESCRIBE_INPUT: answer_describe_input(body); break;
    case HEARTBEAT: guard_heartbeat(); answer_status(); break;
    case READ_STATUS: answer_status(); break;
    case SCHEDULE_BEGIN: answer_begin(body); break;
    case SCHEDULE_STEP: answer_step(body); break;
    case SCHEDULE_COMMIT: answer_commit(body); break;
    case STREAM: answer_stream(body); break;
    case STOP_STREAM: stream_stop(); accept(); break;
    default: switch_over(id, body); break;
    }
}

static void answer_request(void)
{
    uint8_t id = frame_payload[0];
    if (id > CLEAR_FAULT)
        refuse(UNKNOWN_MESSAGE, id);
    else if (frame_length - 2u != body_lengths[id - 1u])
        refuse(BAD_LENGTH, body_lengths[id - 1u]);
    else if (id == CLEAR_FAULT && frame_payload[2] >= FAULT_COUNT)
        refuse(BAD_VALUE, 0);
    else if (!refused_by_state(id))
        carry_out(id, frame_payload + 2);
}

static bool is_repeat(void)
{
    return last.valid && last.id == frame_payload[0] && last.sequence == frame_payload[1]
        && last.length == frame_length && last.crc == frame_crc;
}

static void remember(void)
{
    last.valid = frame_payload[0] != HELLO;
    last.id = frame_payload[0];
    last.sequence = frame_payload[1];
    last.length = frame_length;
    last.crc = frame_crc;
}

bool rig_take(uint8_t byte)
{
    if (answer_waits)
        return false;
    if (!frames_take(byte))
        return true;
    if (frame_payload[0] == 0 || frame_payload[0] > REQUEST_ID_LAST) {
        frames_bad++; /* an answer here is an echo of our own: answering it would ring */
        return true;
    }
    if (!is_repeat()) {
        answer_request();
        remember();
    }
    answer_waits = !transmit_payload(answer.payload, answer.length);
    return true;
}

bool rig_send(void)
{
    bool sent = false;
    if (answer_waits && transmit_payload(answer.payload, answer.length)) {
        answer_waits = false;
        sent = true;
    }
    if (answer_waits)
        return sent;
    return events_send() || stream_send() || sent;
}

/* --- the running schedule --- */

void rig_edge_made(const struct edge *edge, uint32_t tick)
{
    if (edge->mask != outputs_on) {
        switched_on |= edge->mask & (uint16_t)~outputs_on;
        switched_tick = tick;
        outputs_on = edge->mask;
        event_edge(tick, edge->mask, CAUSE_SCHEDULE);
    }
    if (edge->wraps)
        repeats_done++;
    if (edge->ends) {
        rig_state = IDLE;
        guard_note_energised();
        event_finished(schedule.id, repeats_done, tick);
    }
}
