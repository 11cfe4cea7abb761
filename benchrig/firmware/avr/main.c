/* Start, and the loop that moves bytes. Everything that must be in time runs in interrupts. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "../core/rig.h"
#include "../core/rom.h"
#include "../core/wire.h"
#include "clock.h"
#include "pins.h"
#include "sampling.h"
#include "serial.h"

/* EEPROM: an id of eight bytes written with the programmer, then the count of starts. */
#define EEPROM_ID ((const void *)0)
#define EEPROM_BOOTS ((uint16_t *)8)

static uint8_t reset_flags NOINIT;

/* Before anything else: gates off, and the watchdog off, which stays on through its own reset. */
void at_reset(void) __attribute__((naked, used, section(".init3")));
void at_reset(void)
{
    pins_begin();
    reset_flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

/* Power-on sets the brown-out flag too, so it is asked first. */
static uint8_t reset_cause(void)
{
    if (reset_flags & _BV(PORF))
        return RESET_POWER_ON;
    if (reset_flags & _BV(BORF))
        return RESET_BROWN_OUT;
    if (reset_flags & _BV(WDRF))
        return RESET_WATCHDOG;
    return reset_flags & _BV(EXTRF) ? RESET_EXTERNAL : RESET_UNKNOWN;
}

static uint16_t count_boot(void)
{
    uint16_t boots = (uint16_t)(eeprom_read_word(EEPROM_BOOTS) + 1u); /* blank: 0xFFFF, so 0 */
    eeprom_update_word(EEPROM_BOOTS, boots);
    return boots;
}

/* A byte that comes between the look and the sleep wakes it: sei takes effect one later. */
static inline void rest(void)
{
    cli();
    if (!serial_waits()) {
        sei();
        sleep_cpu();
    }
    sei();
}

int main(void)
{
    uint8_t id[8];
    eeprom_read_block(id, EEPROM_ID, sizeof id);
    rig_boot(reset_cause(), count_boot(), id);
    sampling_begin();
    clock_begin();
    serial_begin();
    set_sleep_mode(SLEEP_MODE_IDLE);
    sleep_enable();
    wdt_enable(WDTO_120MS);
    sei();
    for (;;) {
        bool busy = false;
        while (serial_waits() && rig_take(serial_peek()))
            serial_drop();
        if (rig_has_news())
            busy = rig_send();
        if (tick_lives) {
            tick_lives = 0;
            wdt_reset();
        }
        if (!busy)
            rest();
    }
}
