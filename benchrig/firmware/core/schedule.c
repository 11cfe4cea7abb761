#include "schedule.h"

#include "crc.h"
#include "wire.h"

/* Places of the fields in a step's body, for the detail of BAD_VALUE. */
#define FIELD_MASK 2u
#define FIELD_DURATION 3u
#define FIELD_CHANGE 4u

#define PIECE_US 15000u /* below half the compare timer's range */

struct schedule schedule;
volatile uint16_t repeats_done;

static struct {
    uint8_t step;
    uint16_t repeat;
    uint32_t left_us; /* of the present run */
} player;

void schedule_forget(void)
{
    schedule.id = 0;
    schedule.committed = false;
    schedule.present = 0;
    schedule.step_count = 0;
}

uint16_t schedule_outputs(void)
{
    uint16_t mask = 0;
    for (uint8_t i = 0; i < schedule.step_count; i++)
        mask |= schedule.steps[i].outputs_mask;
    return mask;
}

static uint16_t crc_value(uint16_t crc, uint32_t value, uint8_t bytes)
{
    for (; bytes; bytes--, value >>= 8)
        crc = crc_byte(crc, (uint8_t)value);
    return crc;
}

/* Over the bodies as they came: id, number, mask, duration, change. */
uint16_t schedule_crc(void)
{
    uint16_t crc = CRC_INITIAL;
    for (uint8_t i = 0; i < schedule.step_count; i++) {
        const struct step *step = &schedule.steps[i];
        crc = crc_value(crc, schedule.id, 2);
        crc = crc_value(crc, i, 1);
        crc = crc_value(crc, step->outputs_mask, 2);
        crc = crc_value(crc, step->duration_us, 4);
        crc = crc_value(crc, (uint16_t)step->change_us, 2);
    }
    return crc;
}

/* Committed durations neither wrap nor reach 0 in any repeat. */
static uint32_t duration_at(const struct step *step, uint16_t repeat)
{
    return step->duration_us + (uint32_t)((int32_t)step->change_us * (int32_t)repeat);
}

static uint32_t add_capped(uint32_t a, uint32_t b)
{
    uint32_t sum = a + b;
    return sum < a ? UINT32_MAX : sum;
}

static struct refusal refuse(uint8_t reason, uint32_t detail)
{
    struct refusal refusal = {reason, detail};
    return refusal;
}

static struct refusal none(void)
{
    return refuse(0, 0);
}

static struct refusal check_duration(const struct step *step)
{
    if (step->duration_us < STEP_US_LEAST)
        return refuse(BAD_VALUE, FIELD_DURATION);
    int32_t change = (int32_t)step->change_us * (int32_t)(schedule.repeat_count - 1u);
    if (change < 0) {
        uint32_t shrink = (uint32_t)-change;
        if (shrink >= step->duration_us || step->duration_us - shrink < STEP_US_LEAST)
            return refuse(BAD_VALUE, FIELD_CHANGE);
    } else if (step->duration_us > UINT32_MAX - (uint32_t)change) {
        return refuse(BAD_VALUE, FIELD_CHANGE);
    }
    return none();
}

static struct refusal check_together(uint8_t number)
{
    uint16_t mask = schedule.steps[number].outputs_mask;
    uint16_t switched = mask & SWITCHED_MASK;
    bool several = (switched & (switched - 1u)) != 0;
    if ((mask & SOURCE_BIT) && (several || !switched))
        return refuse(BAD_VALUE, FIELD_MASK);
    if (switched & SHARED_MASK && several)
        return refuse(SHARED_INPUT, number);
    return none();
}

static struct refusal check_on(const ROM struct output_declared *output, uint32_t on_us)
{
    if (on_us > output->on_us_max)
        return refuse(ON_TIME_OVER_CEILING, output->on_us_max);
    if (on_us < output->on_us_min)
        return refuse(ON_TIME_UNDER_LEAST, output->on_us_min);
    return none();
}

/* The duration of the run of steps from `from` on, in which the output stays as it is. */
static uint32_t run_us(uint8_t from, uint16_t bit, uint16_t repeat, uint8_t *after)
{
    uint16_t level = schedule.steps[from].outputs_mask & bit;
    uint32_t sum = 0;
    uint8_t i = from;
    for (; i < schedule.step_count && (schedule.steps[i].outputs_mask & bit) == level; i++)
        sum = add_capped(sum, duration_at(&schedule.steps[i], repeat));
    *after = i;
    return sum;
}

static struct refusal check_on_runs(const ROM struct output_declared *output, uint16_t bit)
{
    for (uint8_t i = 0, after; i < schedule.step_count; i = after) {
        uint32_t first = run_us(i, bit, 0, &after);
        if (!(schedule.steps[i].outputs_mask & bit))
            continue;
        struct refusal found = check_on(output, first);
        if (!found.reason)
            found = check_on(output, run_us(i, bit, schedule.repeat_count - 1u, &after));
        if (found.reason)
            return found;
    }
    return none();
}

/* Least off-time between two on-times across the end of a pass. */
static bool wraps_too_soon(uint16_t bit, uint8_t tail, uint32_t least)
{
    bool leads = !(schedule.steps[0].outputs_mask & bit);
    for (uint8_t end = 0; end < 2; end++) {
        uint16_t repeat = end ? schedule.repeat_count - 2u : 0u;
        uint8_t after;
        uint32_t off = run_us(tail, bit, repeat, &after);
        if (leads)
            off = add_capped(off, run_us(0, bit, repeat + 1u, &after));
        if (off < least)
            return true;
    }
    return false;
}

static struct refusal check_off_runs(const ROM struct output_declared *output, uint16_t bit)
{
    uint32_t least = output->off_us_min;
    for (uint8_t i = 0, after; i < schedule.step_count; i = after) {
        uint32_t first = run_us(i, bit, 0, &after);
        if (schedule.steps[i].outputs_mask & bit)
            continue;
        bool short_off = false;
        uint8_t ignored;
        if (after == schedule.step_count)
            short_off = schedule.repeat_count > 1u && wraps_too_soon(bit, i, least);
        else if (i != 0)
            short_off = first < least
                || run_us(i, bit, schedule.repeat_count - 1u, &ignored) < least;
        if (short_off)
            return refuse(OFF_TIME_UNDER_LEAST, least);
    }
    return none();
}

static struct refusal check_steps(void)
{
    struct refusal found = none();
    for (uint8_t i = 0; i < schedule.step_count && !found.reason; i++)
        found = check_duration(&schedule.steps[i]);
    for (uint8_t i = 0; i < schedule.step_count && !found.reason; i++)
        if (schedule.steps[i].outputs_mask >> OUTPUT_COUNT)
            found = refuse(NO_SUCH_OUTPUT, OUTPUT_COUNT);
    uint16_t last = schedule.steps[schedule.step_count - 1u].outputs_mask;
    if (!found.reason && last)
        found = refuse(NOT_ENDING_OFF, last);
    for (uint8_t i = 0; i < schedule.step_count && !found.reason; i++)
        found = check_together(i);
    return found;
}

struct refusal schedule_check(void)
{
    struct refusal found = check_steps();
    uint16_t used = schedule_outputs();
    for (uint8_t output = 0; output < OUTPUT_COUNT && !found.reason; output++) {
        uint16_t bit = (uint16_t)(1u << output);
        if (!(used & bit))
            continue;
        found = check_on_runs(output_declared(output), bit);
        if (!found.reason)
            found = check_off_runs(output_declared(output), bit);
    }
    return found;
}

/* The present step and those after it that change nothing, up to the pass's end. */
static void load_run(void)
{
    uint16_t mask = schedule.steps[player.step].outputs_mask;
    player.left_us = duration_at(&schedule.steps[player.step], player.repeat);
    while (player.step + 1u < schedule.step_count) {
        const struct step *next = &schedule.steps[player.step + 1u];
        uint32_t sum = player.left_us + duration_at(next, player.repeat);
        if (next->outputs_mask != mask || sum < player.left_us)
            return;
        player.left_us = sum;
        player.step++;
    }
}

void player_rewind(struct edge *edge)
{
    player.step = 0;
    player.repeat = 0;
    repeats_done = 0;
    edge->delay_ticks = 0;
    edge->mask = schedule.steps[0].outputs_mask;
    edge->wraps = edge->ends = false;
    load_run();
}

static void next_run(struct edge *edge)
{
    edge->wraps = ++player.step == schedule.step_count;
    if (edge->wraps) {
        player.step = 0;
        edge->ends = ++player.repeat == schedule.repeat_count;
    }
    if (edge->ends) {
        edge->mask = 0;
    } else {
        edge->mask = schedule.steps[player.step].outputs_mask;
        load_run();
    }
}

void player_prepare(struct edge *edge)
{
    uint16_t piece;
    edge->mask = schedule.steps[player.step].outputs_mask;
    edge->wraps = edge->ends = false;
    if (player.left_us >= 2u * PIECE_US) {
        piece = PIECE_US;
        player.left_us -= piece;
    } else if (player.left_us > PIECE_US) { /* two halves, so that no piece is tiny */
        piece = (uint16_t)(player.left_us / 2u);
        player.left_us -= piece;
    } else {
        piece = (uint16_t)player.left_us;
        next_run(edge);
    }
    edge->delay_ticks = (uint16_t)(piece * TICKS_PER_US);
}
