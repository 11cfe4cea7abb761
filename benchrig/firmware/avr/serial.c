#include "serial.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "../core/frames.h"
#include "../core/guard.h"
#include "../core/port.h"

#define BREAK_CYCLES 150u /* a framing error comes 9.5 bits into the low; look again 9.4 us later */

volatile uint8_t serial_ring[SERIAL_RING];
volatile uint8_t serial_head, serial_tail;

void serial_begin(void)
{
    UCSR0A = _BV(U2X0);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
    UBRR0 = 1; /* 16 MHz / 8 / 2 = 1 Mbaud; last, because the emulator takes the rate from here */
}

void port_transmit(void)
{
    uint8_t was = port_lock();
    UCSR0B |= _BV(UDRIE0);
    port_unlock(was);
}

void serial_pause(void)
{
    UCSR0B &= (uint8_t)~_BV(UDRIE0);
}

void serial_go_on(void)
{
    if (transmit_head != transmit_tail)
        UCSR0B |= _BV(UDRIE0);
}

/* UCSR0B is out of reach of sbi: it is changed in interrupts and locks only. */
ISR(USART_UDRE_vect)
{
    uint8_t at = transmit_tail;
    UDR0 = transmit_ring[at++];
    transmit_tail = at;
    if (at == transmit_head)
        UCSR0B &= (uint8_t)~_BV(UDRIE0);
}

static inline void watch_for_break(void)
{
    OCR0A = (uint8_t)(TCNT0 + BREAK_CYCLES);
    TIFR0 = _BV(OCF0A);
    TIMSK0 = _BV(OCIE0A);
}

ISR(USART_RX_vect)
{
    uint8_t status = UCSR0A;
    uint8_t byte = UDR0;
    if (status & _BV(FE0)) {
        if (byte == 0)
            watch_for_break();
        byte = 0; /* whatever frame this was in ends here and will not check out */
    }
    uint8_t at = serial_head;
    uint8_t next = (uint8_t)((at + 1u) % SERIAL_RING);
    if (next != serial_tail) {
        serial_ring[at] = byte;
        serial_head = next;
    }
}

/* Still low more than two byte times after it fell: a break. */
ISR(TIMER0_COMPA_vect)
{
    TIMSK0 = 0;
    if (!(PIND & _BV(PD0)))
        break_seen = true;
}
