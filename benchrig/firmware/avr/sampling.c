#include "sampling.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "../core/guard.h"
#include "../core/port.h"
#include "../core/stream.h"
#include "clock.h"

#define REFERENCE _BV(REFS0) /* AVCC */
#define START (_BV(ADEN) | _BV(ADSC) | _BV(ADIE))
#define BY_16 (_BV(ADPS2))
#define BY_32 (_BV(ADPS2) | _BV(ADPS0))
#define BY_64 (_BV(ADPS2) | _BV(ADPS1))
#define BY_128 (_BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0))

#define TRIP_ROOM_TICKS 44u /* a trip conversion takes 13 us and must be done with before the slot */
#define DONE_TICKS 5u       /* from the slot's match to the start of the conversion */

enum { NOTHING, FOR_STREAM, FOR_TRIP, FOR_NOBODY };

static volatile uint8_t converting;
static volatile uint8_t sampling;
static volatile uint8_t slot_waits;   /* a slot began while the converter was busy */
static volatile uint8_t slots_missed; /* and more of them meanwhile */
static uint8_t start_stream;        /* what to write to ADCSRA */
static uint8_t odd_slot;
static uint16_t slots, slots_left;

void sampling_begin(void)
{
    ADMUX = REFERENCE;
    ADCSRA = _BV(ADEN) | _BV(ADSC) | BY_32; /* the first one is slow; it is thrown away */
    while (ADCSRA & _BV(ADSC)) {
    }
    ADCSRA = _BV(ADEN) | _BV(ADIF) | BY_32;
    converting = NOTHING;
}

/* The slowest converter clock whose 13 cycles leave room for a trip conversion in the time. */
static uint8_t speed_for(uint16_t count)
{
    if (count >= 3u)
        return BY_128;
    if (count == 2u)
        return BY_64;
    return stream.inputs_mask & (1u << TRIP_INPUT) ? BY_32 : BY_16;
}

uint32_t port_sampling_start(uint16_t count)
{
    uint8_t was = port_lock();
    uint8_t into_slot = TCNT2;
    uint32_t next_slot = port_now() + SLOT_COUNTS - into_slot;
    /* A slot that had begun before the look, and whose interrupt follows this, is the next one
     * that is counted; one that has begun since the look is the one that was foreseen. */
    if ((TIFR2 & _BV(OCF2A)) && TCNT2 >= into_slot)
        next_slot -= SLOT_COUNTS;
    slots = count;
    slots_left = 2;
    start_stream = START | speed_for(count);
    if (converting == NOTHING)
        ADMUX = REFERENCE | stream_input();
    slot_waits = slots_missed = 0;
    sampling = 1;
    port_unlock(was);
    return next_slot + SLOT_COUNTS + DONE_TICKS;
}

void port_sampling_stop(void)
{
    uint8_t was = port_lock();
    sampling = 0;
    slot_waits = slots_missed = 0;
    if (converting == FOR_STREAM)
        converting = FOR_NOBODY;
    port_unlock(was);
}

/* No calls in here: each would cost fifty cycles of saved registers. */
ISR(TIMER2_COMPA_vect)
{
    odd_slot ^= 1u;
    if (odd_slot) {
        TIFR2 = _BV(OCF2B);
        if (!tick_runs)
            TIMSK2 = _BV(OCIE2A) | _BV(OCIE2B);
    }
    if (!sampling || --slots_left)
        return;
    slots_left = slots;
    if (converting == NOTHING) {
        ADCSRA = start_stream;
        converting = FOR_STREAM;
    } else if (slot_waits) {
        slots_missed++;
    } else {
        slot_waits = 1;
    }
}

INLINE uint8_t room_before_slot(void)
{
    if (!sampling || slots_left > 1u)
        return 1;
    /* The counter first: a slot that begins in between is then seen by its flag. */
    uint8_t in_time = TCNT2 < SLOT_COUNTS - TRIP_ROOM_TICKS;
    return in_time && !(TIFR2 & _BV(OCF2A));
}

INLINE void try_trip(void)
{
    if (!trip_due || !room_before_slot())
        return;
    ADMUX = REFERENCE | TRIP_INPUT;
    ADCSRA = START | BY_16;
    converting = FOR_TRIP;
    trip_due = false;
}

/* The block that is being filled is lost, but time and numbers go on: stamps never lie. */
static void count_missed(void)
{
    for (; slots_missed; slots_missed--) {
        capture.skipping = true;
        stream_next();
        stream_code(0);
    }
}

/* Not interruptible: an edge inside of it would hold up the next slot's conversion, and this is
 * short enough for the edges' lead. Ending a block is not, once in a few dozen conversions; of
 * what could come then, at least the housekeeping waits. */
ISR(ADC_vect)
{
    uint16_t code = ADC;
    uint8_t what = converting;
    if (what == FOR_TRIP) {
        guard_current(code);
    } else if (what == FOR_STREAM) {
        uint8_t housekeeping = 0;
        if (stream_input() == TRIP_INPUT) {
            trip_due = false;
            guard_current(code);
        }
        stream_next();
        if (capture.left == 1u) {
            housekeeping = TIMSK2;
            TIMSK2 = _BV(OCIE2A);
            sei();
        }
        stream_code(code);
        cli();
        TIMSK2 |= housekeeping;
    }
    ADMUX = REFERENCE | stream_input();
    converting = NOTHING;
    if (slot_waits) {
        if (slots_missed)
            count_missed();
        ADMUX = REFERENCE | stream_input();
        slot_waits = 0;
        ADCSRA = start_stream;
        converting = FOR_STREAM;
    } else {
        try_trip();
    }
}

void sampling_tick(void)
{
    uint8_t was = port_lock();
    if (converting == NOTHING)
        try_trip();
    port_unlock(was);
}
