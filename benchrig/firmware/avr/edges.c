/* Edges by compare A of timer 1: the next port values are computed ahead, and the interrupt
 * burns what is left to a fixed cycle before it writes them, so that what else the processor
 * was doing does not show in the edge. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <stdbool.h>

#include "../core/guard.h"
#include "../core/port.h"
#include "../core/rig.h"
#include "../core/wire.h"
#include "clock.h"
#include "edges.h"
#include "pins.h"
#include "serial.h"

/* From the compare match to the edge. Longer than any other interrupt or lock can last, and a
 * whole number of ticks: the edge then falls on the tick it was planned for. */
#define LEAD_TICKS 28u
#define LEAD_CYCLES (LEAD_TICKS * 8u)
/* What the flag, the read and the write take besides; measured in the emulator, so that PORTD
 * changes on the first cycle of the planned tick. */
#define FIXED_CYCLES 12u

volatile uint8_t edge_port_d __attribute__((used));
volatile uint8_t edge_port_b __attribute__((used));
volatile uint8_t edge_phase __attribute__((used));
volatile uint8_t edge_unnoted __attribute__((used)); /* on the pins, not yet told to the core */

/* Two edges in turn: one is armed, the other prepared ahead or just made. */
static struct edge edges[2];
static uint8_t armed, made; /* which */
static uint32_t armed_tick, made_tick;
static uint16_t late_ticks; /* of the armed one: told in its stamp */
static uint8_t prepared;  /* the one that is not armed is ready to be */
static uint8_t preparing; /* inside the interrupt's second part */

#define LATE_TICKS 16u /* what setting the compare takes: a match before that would be missed */
#define OVERDUE_TICKS 1000 /* 0.5 ms */
#define NEAR_TICKS 400u /* the next edge must then be armed before anything else is served */

/* With interrupts off. An edge whose time has come already is made at once; those after it keep
 * to the plan. The port values are not needed before the interrupt can run. */
static void arm(void)
{
    uint16_t match = (uint16_t)((uint16_t)armed_tick - LEAD_TICKS);
    int32_t ahead = (int32_t)(armed_tick - (LEAD_TICKS + LATE_TICKS) - port_now());
    late_ticks = ahead < 0 ? (uint16_t)-ahead : 0u;
    match += late_ticks;
    TIFR1 = _BV(OCF1A);
    OCR1A = match;
    TIMSK1 |= _BV(OCIE1A);
    edge_phase = (uint8_t)(clock_phase_at(match) + LEAD_CYCLES - FIXED_CYCLES);
    edge_port_d = port_d_of(edges[armed].mask);
    edge_port_b = port_b_of(edges[armed].mask, feed_closed);
}

void port_edges_start(uint32_t first_tick)
{
    armed = 0;
    player_rewind(&edges[0]);
    player_prepare(&edges[1]);
    prepared = 1;
    armed_tick = first_tick;
    uint8_t was = port_lock();
    arm();
    port_unlock(was);
}

/* The net below all that: an edge that is long overdue means that its match was missed. */
void edges_tick(void)
{
    uint8_t was = port_lock();
    bool overdue = (TIMSK1 & _BV(OCIE1A)) && (int32_t)(port_now() - armed_tick) > OVERDUE_TICKS;
    port_unlock(was);
    if (overdue)
        guard_fault(FAULT_INTERNAL, 0);
}

static void note_edge(void)
{
    uint8_t was = port_lock();
    uint8_t unnoted = edge_unnoted;
    edge_unnoted = 0;
    bool held = guard_held;
    guard_held = true; /* instead of a lock, which would hold up the next edge */
    port_unlock(was);
    if (unnoted)
        rig_edge_made(&edges[made], made_tick);
    guard_held = held;
}

/* An edge that was made just now is told first: nothing is switched off untold. */
void port_edges_stop(void)
{
    uint8_t was = port_lock();
    TIMSK1 &= (uint8_t)~_BV(OCIE1A);
    note_edge();
    port_unlock(was);
}

/* The loop burns n + 6 cycles for n in r25, to the cycle. An entry later than planned burns
 * nothing; the tests would see the spread. */
ISR(TIMER1_COMPA_vect, ISR_NAKED)
{
    __asm__ volatile(
        "push r24\n\t"
        "in r24, __SREG__\n\t"
        "push r24\n\t"
        "push r25\n\t"
        "lds r25, edge_phase\n\t"
        "in r24, %[cycles]\n\t"
        "sub r25, r24\n\t"
        "cpi r25, 220\n\t"
        "brsh 3f\n"
        "1:\n\t"
        "subi r25, 3\n\t"
        "brcc 1b\n\t"
        "cpi r25, 254\n\t"
        "brcc 2f\n"
        "2:\n\t"
        "cpi r25, 255\n\t"
        "breq 3f\n"
        "3:\n\t"
        "lds r24, edge_port_d\n\t"
        "lds r25, edge_port_b\n\t"
        "out %[d], r24\n\t"
        "out %[b], r25\n\t"
        "ldi r24, %[others]\n\t"
        "sts %[mask], r24\n\t"
        "sts edge_unnoted, r24\n\t"
        "pop r25\n\t"
        "pop r24\n\t"
        "out __SREG__, r24\n\t"
        "pop r24\n\t"
        "jmp __vector_edge_made\n\t"
        :
        : [cycles] "I"(_SFR_IO_ADDR(TCNT0)), [d] "I"(_SFR_IO_ADDR(PORTD)),
          [b] "I"(_SFR_IO_ADDR(PORTB)), [mask] "n"(_SFR_MEM_ADDR(TIMSK1)),
          [others] "M"(_BV(TOIE1)));
}

static void arm_prepared(void)
{
    armed ^= 1u;
    armed_tick += edges[armed].delay_ticks;
    prepared = 0;
    arm();
}

static void prepare(void)
{
    sei();
    player_prepare(&edges[armed ^ 1u]);
    cli();
    prepared = 1;
}

/* The rest of the same interrupt, in C. Once the next edge is armed it may come while the one
 * after it is being prepared: the nested call only notes it, and this one goes round again. */
void __vector_edge_made(void) __attribute__((signal, used, externally_visible));
void __vector_edge_made(void)
{
    made = armed;
    made_tick = armed_tick + late_ticks;
    if (preparing) {
        note_edge();
        return;
    }
    preparing = 1;
    if (prepared && !edges[made].ends && edges[made ^ 1u].delay_ticks < NEAR_TICKS) {
        arm_prepared();
        note_edge(); /* before the next can come */
    }
    sei();
    serial_pause(); /* a saturated line must not keep an edge from being prepared */
    note_edge();
    cli();
    while (rig_state == RUNNING) { /* a fault may end it at any time */
        if (prepared && !(TIMSK1 & _BV(OCIE1A)))
            arm_prepared();
        if (prepared || edges[armed].ends)
            break;
        prepare();
    }
    preparing = 0;
    serial_go_on();
}
