/* A thin layer over libsimavr: one ATmega328P at 16 MHz, its pins, its line, its clock.
 *
 * Built at first use and loaded by emulator.py. It links libsimavr (GPL-3-or-later), which is a
 * tool of the tests and no part of what is distributed.
 */
#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_interrupts.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define HZ 16000000u
#define BYTE_CYCLES 160u /* ten bits at 1 Mbaud */
#define RX_RING 65536u
#define TX_RING 65536u
#define EDGE_LOG 65536u
#define VECTORS 26
#define CHANNELS 8
#define VREF_MV 5000u
#define CODE_MOST 1023
#define SAMPLES_ID 0xC0u

enum { PIND_AT = 0x29, PORTD_AT = 0x2B, DDRD_AT = 0x2A, PORTB_AT = 0x25, DDRB_AT = 0x24 };
enum { MCUSR_AT = 0x54, TIFR0_AT = 0x35, TIFR2_AT = 0x37 };

typedef uint32_t (*adc_callback)(void *user, uint64_t cycle, uint32_t channel);
typedef void (*pins_callback)(void *user, uint64_t cycle, uint32_t outputs, uint32_t feed);

struct edge_seen {
    uint64_t cycle;
    uint32_t outputs;
    uint32_t feed;
};

/* Levels that stand still for a while: conversions then need nobody to ask. */
struct held {
    double code[CHANNELS];  /* before noise and rounding down; negative: ask */
    double noise[CHANNELS]; /* standard deviation */
    uint64_t until;
    uint64_t random;
};

struct sim {
    avr_t *avr;
    struct held held;
    uint32_t tx_place; /* bytes since the last delimiter */
    uint8_t tx_id;
    int stop; /* asked to, from a callback */
    int said; /* a whole frame that is no sample block waits */
    avr_irq_t *adc_irq, *uart_in, *rxd, *auxiliary;
    adc_callback on_adc;
    pins_callback on_pins;
    void *user;
    uint32_t outputs, feed;
    uint64_t slept;
    uint64_t resets;
    uint16_t rx[RX_RING];
    uint32_t rx_head, rx_tail;
    int rx_flying;
    uint8_t tx[TX_RING];
    uint32_t tx_head, tx_tail, tx_lost;
    struct edge_seen edges[EDGE_LOG];
    uint32_t edge_count;
    uint64_t pending_since[VECTORS];
    uint64_t pending_last[VECTORS];
    uint64_t latency_most[VECTORS];
    uint64_t adc_last, adc_starts;
    avr_ioport_external_t outside_b, outside_d;
    int line_low;
    int single_step;
    uint16_t stack_least;
    int crashed;
    uint32_t profile[16384]; /* cycles by program word, while stepping singly */
};

static void no_sleep(avr_t *avr, avr_cycle_count_t cycles);

/* simavr's hooks carry no user pointer, so one emulator runs in a process at a time per hook. */
static struct sim *of(avr_t *avr)
{
    return (struct sim *)avr->custom.data;
}

static void no_sleep(avr_t *avr, avr_cycle_count_t cycles)
{
    of(avr)->slept += cycles + 1;
}

/* The least whole millivolts that are converted to this code. */
static uint32_t millivolts_for(double wide)
{
    int code = wide <= 0.0 ? 0 : wide >= CODE_MOST ? CODE_MOST : (int)wide;
    return ((uint32_t)code * VREF_MV + CODE_MOST - 1) / CODE_MOST;
}

static double uniform(struct held *h)
{
    h->random ^= h->random << 13;
    h->random ^= h->random >> 7;
    h->random ^= h->random << 17;
    return (double)((h->random >> 11) + 1) * 0x1p-53;
}

static double gauss(struct held *h)
{
    double radius = sqrt(-2.0 * log(uniform(h)));
    return radius * cos(6.283185307179586 * uniform(h));
}

static void see_pins(struct sim *s)
{
    uint8_t d = s->avr->data[PORTD_AT] & s->avr->data[DDRD_AT];
    uint8_t b = s->avr->data[PORTB_AT] & s->avr->data[DDRB_AT];
    uint32_t outputs = (d >> 2) | ((b & 3u) << 6) | ((b & 8u) ? 0x100u : 0u);
    uint32_t feed = (b >> 2) & 1u;
    if (outputs == s->outputs && feed == s->feed)
        return;
    s->outputs = outputs;
    s->feed = feed;
    s->held.until = 0;
    if (s->edge_count < EDGE_LOG) {
        struct edge_seen *e = &s->edges[s->edge_count++];
        e->cycle = s->avr->cycle;
        e->outputs = outputs;
        e->feed = feed;
    }
    if (s->on_pins)
        s->on_pins(s->user, s->avr->cycle, outputs, feed);
}

static void pin_changed(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)value;
    see_pins(param);
}

static void adc_started(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    struct sim *s = param;
    union {
        avr_adc_mux_t mux;
        uint32_t value;
    } x = {.value = value};
    uint32_t channel = x.mux.src;
    s->adc_last = s->avr->cycle;
    s->adc_starts++;
    struct held *h = &s->held;
    if (s->adc_last < h->until && channel < CHANNELS && h->code[channel] >= 0.0) {
        double wide = h->code[channel];
        if (h->noise[channel] > 0.0)
            wide += h->noise[channel] * gauss(h);
        avr_raise_irq(s->adc_irq + ADC_IRQ_ADC0 + channel, millivolts_for(wide));
        return;
    }
    uint32_t mv = s->on_adc ? s->on_adc(s->user, s->avr->cycle, channel) : 0;
    avr_raise_irq(s->adc_irq + ADC_IRQ_ADC0 + channel, mv);
}

static void byte_sent(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    struct sim *s = param;
    if (value == 0) {
        if (s->tx_place > 1 && s->tx_id != SAMPLES_ID)
            s->said = 1;
        s->tx_place = 0;
    } else if (s->tx_place++ == 1) {
        s->tx_id = (uint8_t)value; /* behind the first COBS code stands the id, never zero */
    }
    if (s->tx_head - s->tx_tail == TX_RING)
        s->tx_lost++;
    else
        s->tx[s->tx_head++ % TX_RING] = (uint8_t)value;
}

static avr_cycle_count_t rx_next(avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct sim *s = param;
    (void)avr;
    if (s->rx_head == s->rx_tail) {
        s->rx_flying = 0;
        return 0;
    }
    avr_raise_irq(s->uart_in, s->rx[s->rx_tail++ % RX_RING]);
    return when + BYTE_CYCLES;
}

static void rx_kick(struct sim *s)
{
    if (!s->rx_flying && s->rx_head != s->rx_tail) {
        s->rx_flying = 1;
        avr_cycle_timer_register(s->avr, BYTE_CYCLES, rx_next, s);
    }
}

/* A level driven from outside; it also outlasts the next write of the port. */
static void drive(struct sim *s, char port, int pin, int level)
{
    avr_ioport_external_t *now = port == 'D' ? &s->outside_d : &s->outside_b;
    now->name = port;
    now->mask |= 1u << pin;
    now->value = (now->value & ~(1u << pin)) | ((unsigned)level << pin);
    avr_ioctl(s->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), now);
    avr_raise_irq(port == 'D' ? s->rxd : s->auxiliary, (uint32_t)level);
}

static avr_cycle_count_t line_up(avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct sim *s = param;
    (void)avr;
    (void)when;
    s->line_low = 0;
    drive(s, 'D', 0, 1);
    return 0;
}

static void vector_pending(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    struct sim *s = ((void **)param)[0];
    uintptr_t vector = (uintptr_t)((void **)param)[1];
    if (value)
        s->pending_since[vector] = s->pending_last[vector] = s->avr->cycle;
}

static void vector_running(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    struct sim *s = ((void **)param)[0];
    uintptr_t vector = (uintptr_t)((void **)param)[1];
    if (value && s->pending_since[vector]) {
        uint64_t took = s->avr->cycle - s->pending_since[vector];
        if (took > s->latency_most[vector])
            s->latency_most[vector] = took;
        s->pending_since[vector] = 0;
    }
}

/* libsimavr 1.6 clears every flag of a timer when one is cleared: an overflow that waits is lost
 * with it, and the firmware's clock then stands 33 ms back. A real chip clears what is written 1. */
static void clear_flags(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    for (int i = 0; i < avr->interrupts.vector_count; i++) {
        avr_int_vector_t *vector = avr->interrupts.vector[i];
        if (vector->raised.reg == address && (value >> vector->raised.bit & 1))
            avr_clear_interrupt(avr, vector);
    }
}

/* A reset lets go of all pins: the pull-downs of the board switch everything off. */
static void was_reset(avr_t *avr)
{
    struct sim *s = of(avr);
    s->resets++;
    s->rx_flying = 0; /* the timers are forgotten with the reset */
    s->line_low = 0;
    s->tx_place = 0;
    memset(s->pending_since, 0, sizeof s->pending_since);
    avr->data[DDRD_AT] = avr->data[DDRB_AT] = 0;
    see_pins(s);
}

static void connect(struct sim *s)
{
    static const char ports[] = {'B', 'D'};
    avr_t *avr = s->avr;
    for (int p = 0; p < 2; p++)
        for (int pin = 0; pin < 8; pin++)
            avr_irq_register_notify(
                avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(ports[p]), pin), pin_changed, s);
    s->adc_irq = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, 0);
    avr_irq_register_notify(s->adc_irq + ADC_IRQ_OUT_TRIGGER, adc_started, s);
    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    s->uart_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(
        avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), byte_sent, s);
    for (avr_io_addr_t address = TIFR0_AT; address <= TIFR2_AT; address++) {
        avr->io[AVR_DATA_TO_IO(address)].w.c = clear_flags;
        avr->io[AVR_DATA_TO_IO(address)].w.param = s;
    }
    s->rxd = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 0);
    s->auxiliary = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('B'), 4);
    for (uintptr_t vector = 1; vector < VECTORS; vector++) {
        avr_irq_t *irq = avr_get_interrupt_irq(avr, (uint8_t)vector);
        if (!irq)
            continue;
        void **param = malloc(2 * sizeof *param);
        param[0] = s;
        param[1] = (void *)vector;
        avr_irq_register_notify(irq + AVR_INT_IRQ_PENDING, vector_pending, param);
        avr_irq_register_notify(irq + AVR_INT_IRQ_RUNNING, vector_running, param);
    }
}

void sim_quiet(avr_t *avr, const int level, const char *format, va_list ap)
{
    (void)avr;
    if (level <= LOG_ERROR)
        vfprintf(stderr, format, ap);
}

struct sim *sim_new(const char *elf, adc_callback on_adc, pins_callback on_pins, void *user)
{
    elf_firmware_t firmware;
    memset(&firmware, 0, sizeof firmware);
    avr_global_logger_set(sim_quiet);
    if (elf_read_firmware(elf, &firmware) != 0)
        return NULL;
    struct sim *s = calloc(1, sizeof *s);
    s->avr = avr_make_mcu_by_name("atmega328p");
    if (!s->avr)
        return NULL;
    avr_init(s->avr);
    s->avr->frequency = HZ;
    s->avr->vcc = s->avr->avcc = s->avr->aref = 5000;
    avr_load_firmware(s->avr, &firmware);
    s->avr->frequency = HZ;
    s->avr->vcc = s->avr->avcc = s->avr->aref = 5000;
    s->avr->custom.data = s;
    s->avr->sleep = no_sleep;
    s->avr->reset = was_reset;
    s->on_adc = on_adc;
    s->on_pins = on_pins;
    s->user = user;
    s->stack_least = 0xFFFF;
    s->held.random = 1;
    connect(s);
    /* Otherwise low levels on PD2 and PD3 are polled every cycle as external interrupts. */
    avr_extint_set_strict_lvl_trig(s->avr, 0, 0);
    avr_extint_set_strict_lvl_trig(s->avr, 1, 0);
    s->avr->data[MCUSR_AT] = 1; /* power-on */
    drive(s, 'D', 0, 1);
    drive(s, 'B', 4, 1);
    return s;
}

void sim_free(struct sim *s)
{
    if (!s->crashed)
        avr_terminate(s->avr);
    free(s);
}

/* Runs to this cycle, or until more than sample blocks was said and the caller wants to know. */
int sim_run(struct sim *s, uint64_t until, int stop_when_said)
{
    avr_t *avr = s->avr;
    while (avr->cycle < until) {
        uint64_t left = until - avr->cycle;
        avr->run_cycle_limit = s->single_step ? 1 : left > 2000 ? 2000 : left;
        uint32_t word = avr->pc >> 1;
        uint64_t before = avr->cycle - s->slept;
        int state = avr_run(avr);
        s->profile[word & 16383u] += (uint32_t)(avr->cycle - s->slept - before);
        if (state == cpu_Done || state == cpu_Crashed) {
            s->crashed = 1;
            return -1;
        }
        if (s->single_step) {
            uint16_t sp = (uint16_t)(avr->data[0x5D] | (avr->data[0x5E] << 8));
            if (sp && sp < s->stack_least && avr->data[0x5E])
                s->stack_least = sp;
        }
        if (s->stop || (stop_when_said && s->said))
            break;
    }
    s->stop = 0;
    return 0;
}

void sim_stop(struct sim *s) { s->stop = 1; }
uint64_t sim_cycle(struct sim *s) { return s->avr->cycle; }
uint64_t sim_slept(struct sim *s) { return s->slept; }
uint64_t sim_resets(struct sim *s) { return s->resets; }
uint64_t sim_adc_last(struct sim *s) { return s->adc_last; }
uint64_t sim_adc_starts(struct sim *s) { return s->adc_starts; }
uint32_t sim_outputs(struct sim *s) { return s->outputs; }
uint32_t sim_feed(struct sim *s) { return s->feed; }
uint32_t sim_tx_lost(struct sim *s) { return s->tx_lost; }
uint32_t sim_rx_waiting(struct sim *s) { return s->rx_head - s->rx_tail; }
uint64_t sim_latency_most(struct sim *s, int vector) { return s->latency_most[vector]; }
uint64_t sim_pending_last(struct sim *s, int vector) { return s->pending_last[vector]; }
uint16_t sim_stack_least(struct sim *s) { return s->stack_least; }
void sim_single_step(struct sim *s, int on) { s->single_step = on; }

int sim_write(struct sim *s, const uint8_t *bytes, uint32_t count)
{
    if (s->rx_head - s->rx_tail + count > RX_RING)
        return -1;
    for (uint32_t i = 0; i < count; i++)
        s->rx[s->rx_head++ % RX_RING] = bytes[i];
    rx_kick(s);
    return 0;
}

uint32_t sim_read(struct sim *s, uint8_t *to, uint32_t most)
{
    uint32_t n = 0;
    s->said = 0;
    while (n < most && s->tx_tail != s->tx_head)
        to[n++] = s->tx[s->tx_tail++ % TX_RING];
    return n;
}

/* The line goes low for so long. A receiver then sees one zero byte with a framing error. */
void sim_break(struct sim *s, uint64_t cycles)
{
    s->rx_tail = s->rx_head; /* what was being sent is lost */
    s->line_low = 1;
    drive(s, 'D', 0, 0);
    avr_cycle_timer_register(s->avr, cycles, line_up, s);
    avr_raise_irq(s->uart_in, UART_INPUT_FE); /* shown one byte time after the line fell */
}

/* The host's end of the line is gone: nothing more comes, and the line idles high. */
void sim_drop_input(struct sim *s) { s->rx_tail = s->rx_head; }

void sim_reset(struct sim *s, uint8_t mcusr)
{
    avr_reset(s->avr);
    s->avr->data[MCUSR_AT] = mcusr;
    drive(s, 'D', 0, 1);
    rx_kick(s);
}

/* Levels of all channels, before noise, until this cycle or the next change of a pin. */
void sim_hold(struct sim *s, const double *code, const double *noise, uint64_t until)
{
    memcpy(s->held.code, code, sizeof s->held.code);
    memcpy(s->held.noise, noise, sizeof s->held.noise);
    s->held.until = until;
}

void sim_seed(struct sim *s, uint64_t seed) { s->held.random = seed * 2 + 1; }

void sim_auxiliary(struct sim *s, int closed) { drive(s, 'B', 4, !closed); }

void sim_flash(struct sim *s, uint32_t at, const uint8_t *bytes, uint32_t count)
{
    memcpy(s->avr->flash + at, bytes, count);
}

void sim_memory_read(struct sim *s, uint32_t at, uint8_t *to, uint32_t count)
{
    memcpy(to, s->avr->data + at, count);
}

void sim_memory_write(struct sim *s, uint32_t at, const uint8_t *bytes, uint32_t count)
{
    memcpy(s->avr->data + at, bytes, count);
}

void sim_eeprom(struct sim *s, uint32_t at, uint8_t *bytes, uint32_t count, int set)
{
    avr_eeprom_desc_t desc = {.ee = bytes, .offset = (uint16_t)at, .size = count};
    avr_ioctl(s->avr, set ? AVR_IOCTL_EEPROM_SET : AVR_IOCTL_EEPROM_GET, &desc);
}

void sim_profile(struct sim *s, uint32_t *to)
{
    memcpy(to, s->profile, sizeof s->profile);
    memset(s->profile, 0, sizeof s->profile);
}

uint32_t sim_edges(struct sim *s, struct edge_seen *to, uint32_t most)
{
    uint32_t n = s->edge_count < most ? s->edge_count : most;
    memcpy(to, s->edges, n * sizeof *to);
    s->edge_count = 0;
    return n;
}

/* What a port register holds, put on its pins again, after memory was overwritten. */
void sim_poke_port(struct sim *s, char port)
{
    int base = port == 'D' ? PORTD_AT : PORTB_AT;
    uint8_t value = s->avr->data[base], direction = s->avr->data[base - 1];
    s->avr->data[base - 2] = (uint8_t)((s->avr->data[base - 2] & ~direction) | (value & direction));
    see_pins(s);
}
