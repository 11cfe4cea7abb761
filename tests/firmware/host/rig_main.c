/* Drives the board by commands on standard input, each answered by what the rig has sent:
 * a length of four bytes, then so many bytes.
 *   B n bytes   bytes received, n in two bytes     T n   so many ticks pass, in four bytes
 *   C i c       code of an input, one and two      S f   transmit line stuck or free
 *   K           a serial break                     R c   started again, with this cause
 *   H           a serial break that is noticed just before the next request holds the guard
 */
#include <stdio.h>
#include <stdlib.h>

#include "../../../benchrig/firmware/core/guard.h"
#include "board.h"

/* Interrupts do not come between two lines here as they do on the chip. This one does: linked
 * with --wrap=guard_hold. */
static bool break_before_hold;
void __real_guard_hold(void);
void __wrap_guard_hold(void);
void __wrap_guard_hold(void)
{
    if (break_before_hold) {
        break_before_hold = false;
        break_seen = true;
        guard_tick();
    }
    __real_guard_hold();
}

static uint32_t number(int bytes)
{
    uint32_t value = 0;
    for (int i = 0; i < bytes; i++) {
        int c = getchar();
        if (c == EOF)
            exit(0);
        value |= (uint32_t)c << (8 * i);
    }
    return value;
}

static void receive(void)
{
    uint32_t count = number(2);
    uint8_t *bytes = malloc(count ? count : 1);
    for (uint32_t i = 0; i < count; i++)
        bytes[i] = (uint8_t)number(1);
    board_receive(bytes, count);
    free(bytes);
}

static void obey(int command)
{
    if (command == 'B') {
        receive();
    } else if (command == 'T') {
        board_advance(number(4));
    } else if (command == 'C') {
        uint32_t input = number(1) & 7u;
        board.codes[input] = (uint16_t)number(2);
    } else if (command == 'S') {
        board.line_stuck = number(1) != 0;
        board_advance(1);
    } else if (command == 'K') {
        break_seen = true;
        board_advance(200);
    } else if (command == 'H') {
        break_before_hold = true;
    } else if (command == 'R') {
        board_boot((uint8_t)number(1));
    } else {
        fprintf(stderr, "no such command: %c\n", command);
        exit(2);
    }
}

int main(void)
{
    board_boot(1);
    for (int command = getchar(); command != EOF; command = getchar()) {
        obey(command);
        uint32_t length = (uint32_t)board.out_length;
        for (int i = 0; i < 4; i++)
            putchar((int)(length >> (8 * i)) & 0xFF);
        fwrite(board.out, 1, length, stdout);
        fflush(stdout);
        board.out_length = 0;
    }
    return 0;
}
