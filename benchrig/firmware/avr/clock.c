#include "clock.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "../core/guard.h"
#include "../core/port.h"
#include "edges.h"
#include "sampling.h"

#define HOUSEKEEPING_COUNT (SLOT_COUNTS / 2u)

volatile uint8_t tick_lives;
volatile uint8_t tick_runs;
static volatile uint16_t ticks_high;
static uint8_t phase_offset;

/* Timers 0 and 1 run from one prescaler, so their phase is constant; this finds it. Each round
 * takes an odd number of cycles: eight rounds meet all eight cycles of a tick, and the largest
 * difference is the one read just as timer 1 turned. */
static void find_phase(void)
{
    uint8_t best = 0;
    for (uint8_t round = 0; round < 32; round++) {
        uint8_t cycles, ticks;
        __asm__ volatile("in %0, %2\n\t"
                         "lds %1, %3\n\t"
                         : "=&r"(cycles), "=&r"(ticks)
                         : "I"(_SFR_IO_ADDR(TCNT0)), "n"(_SFR_MEM_ADDR(TCNT1L)));
        uint8_t difference = (uint8_t)((uint8_t)(ticks << 3) - cycles);
        if (round == 0 || (int8_t)(difference - best) > 0)
            best = difference;
        for (uint8_t i = round & 7u; i; i--)
            __asm__ volatile("nop"); /* lengths differ by 4 or so; the next line adds the odd ones */
        if (round & 8u)
            __asm__ volatile("nop");
        if (round & 16u)
            __asm__ volatile("nop\n\tnop");
    }
    phase_offset = best;
}

uint8_t clock_phase_at(uint16_t timer1_count)
{
    return (uint8_t)((uint8_t)((uint8_t)timer1_count << 3) - phase_offset);
}

void clock_begin(void)
{
    TCCR1A = 0;
    TCCR1B = _BV(CS11);
    TCCR0A = 0;
    TCCR0B = _BV(CS00);
    TIMSK1 = _BV(TOIE1);
    find_phase();
    OCR2A = SLOT_COUNTS - 1u;
    OCR2B = HOUSEKEEPING_COUNT;
    TCCR2A = _BV(WGM21);
    TCCR2B = _BV(CS21);
    TIMSK2 = _BV(OCIE2A);
}

uint32_t port_now(void)
{
    uint8_t was = SREG;
    cli();
    uint16_t low = TCNT1;
    uint16_t high = ticks_high;
    if ((TIFR1 & _BV(TOV1)) && low < 0x8000u)
        high++; /* it has wrapped, the interrupt has not run yet */
    SREG = was;
    return ((uint32_t)high << 16) | low;
}

ISR(TIMER1_OVF_vect)
{
    ticks_high++;
}

/* Interruptible: edges must not wait for it. The slot's interrupt unmasks it again. */
ISR(TIMER2_COMPB_vect)
{
    TIMSK2 = _BV(OCIE2A);
    tick_runs = 1;
    sei();
    guard_tick();
    edges_tick();
    sampling_tick();
    tick_lives = 1;
    tick_runs = 0;
}
