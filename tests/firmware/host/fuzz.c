/* For libFuzzer: any bytes as a session. Odd commands are raw line bytes; even ones are framed
 * with a right CRC first, so that the fuzzer gets past it. board_check() is the judge. */
#include <stddef.h>
#include <stdint.h>

#include "../../../benchrig/firmware/core/crc.h"
#include "../../../benchrig/firmware/core/guard.h"
#include "board.h"

static void send_framed(const uint8_t *payload, size_t length)
{
    uint8_t checked[64], frame[80];
    uint16_t crc = CRC_INITIAL;
    for (size_t i = 0; i < length; i++)
        crc = crc_byte(crc, checked[i] = payload[i]);
    checked[length] = (uint8_t)crc;
    checked[length + 1] = (uint8_t)(crc >> 8);
    size_t at = 1, code_at = 0;
    for (size_t i = 0; i < length + 2; i++) {
        if (checked[i]) {
            frame[at++] = checked[i];
        } else {
            frame[code_at] = (uint8_t)(at - code_at);
            code_at = at++;
        }
    }
    frame[code_at] = (uint8_t)(at - code_at);
    frame[at++] = 0;
    board_receive(frame, at);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    board_boot(1);
    board.line_stuck = false;
    while (size >= 2) {
        uint8_t what = data[0];
        size_t length = data[1] & 31u;
        data += 2, size -= 2;
        if (length > size)
            length = size;
        switch (what & 7u) {
        case 1: board_receive(data, length); break;
        case 3: board_advance((uint32_t)length * 997u); break;
        case 5: board.codes[what >> 5] = (uint16_t)(length << 5); length = 0; break;
        case 7:
            if (what & 8u)
                break_seen = true;
            else if (what & 16u)
                board_boot(what >> 5);
            else
                board.line_stuck = (what & 32u) != 0;
            length = 0;
            break;
        default: send_framed(data, length); break;
        }
        data += length, size -= length;
        board.out_length = 0;
    }
    return 0;
}
