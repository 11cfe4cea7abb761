#include "frames.h"

#include "crc.h"
#include "port.h"

uint8_t frame_payload[HOST_PAYLOAD_MAX + CRC_BYTES];
uint8_t frame_length;
uint16_t frame_crc;
uint16_t frames_bad;

volatile uint8_t transmit_ring[TRANSMIT_RING];
volatile uint8_t transmit_head;
volatile uint8_t transmit_tail;

static struct {
    uint8_t length;   /* decoded so far */
    uint8_t left;     /* bytes of the current COBS group still to come */
    bool begun;       /* a group code has been seen */
    bool zero_owed;   /* the group that ends stands for a zero, unless the frame ends too */
    bool broken;      /* given up; skip to the delimiter */
} decoder;

static struct {
    uint8_t head;     /* grows while a frame is written, published at its end */
    uint8_t code_at;  /* place of the open COBS group's code */
    uint8_t code;
    uint16_t crc;
} encoder;

void frames_reset(void)
{
    decoder.length = decoder.left = 0;
    decoder.begun = decoder.zero_owed = decoder.broken = false;
    frames_bad = 0;
    transmit_head = transmit_tail = encoder.head = 0;
}

static bool frame_ends(void)
{
    uint16_t crc = CRC_INITIAL;
    bool good = decoder.left == 0 && decoder.length >= PAYLOAD_MIN + CRC_BYTES;
    if (good) {
        frame_length = (uint8_t)(decoder.length - CRC_BYTES);
        for (uint8_t i = 0; i < frame_length; i++)
            crc = crc_byte(crc, frame_payload[i]);
        frame_crc = crc;
        good = crc == get_u16(frame_payload + frame_length);
    }
    if (!good)
        frames_bad++;
    return good;
}

static void give_up(void)
{
    decoder.broken = true;
    frames_bad++;
}

static void decoded(uint8_t byte)
{
    if (decoder.length == sizeof frame_payload)
        give_up();
    else
        frame_payload[decoder.length++] = byte;
}

bool frames_take(uint8_t byte)
{
    bool whole = false;
    if (byte == 0) {
        if (decoder.begun && !decoder.broken)
            whole = frame_ends();
        decoder.length = decoder.left = 0;
        decoder.begun = decoder.zero_owed = decoder.broken = false;
    } else if (decoder.broken) {
        /* skipped */
    } else if (decoder.left == 0) {
        if (decoder.zero_owed)
            decoded(0);
        decoder.begun = true;
        decoder.left = (uint8_t)(byte - 1);
        decoder.zero_owed = byte != 0xFF;
    } else {
        decoder.left--;
        decoded(byte);
    }
    return whole;
}

/* The longest frame of 248 payload bytes would take two group codes; ours never reach 254. */
bool transmit_has_room(uint8_t payload_length)
{
    uint8_t room = (uint8_t)(transmit_tail - transmit_head - 1u);
    return room >= payload_length + CRC_BYTES + 2u;
}

bool transmit_begin(uint8_t payload_length)
{
    if (!transmit_has_room(payload_length))
        return false;
    encoder.head = transmit_head;
    encoder.code_at = encoder.head++;
    encoder.code = 1;
    encoder.crc = CRC_INITIAL;
    return true;
}

INLINE void encode(uint8_t byte)
{
    if (byte) {
        transmit_ring[encoder.head++] = byte;
        encoder.code++;
    } else {
        transmit_ring[encoder.code_at] = encoder.code;
        encoder.code_at = encoder.head++;
        encoder.code = 1;
    }
}

void transmit_put(uint8_t byte)
{
    encoder.crc = crc_byte(encoder.crc, byte);
    encode(byte);
}

void transmit_end(void)
{
    uint16_t crc = encoder.crc;
    encode((uint8_t)crc);
    encode((uint8_t)(crc >> 8));
    transmit_ring[encoder.code_at] = encoder.code;
    transmit_ring[encoder.head++] = 0;
    transmit_head = encoder.head;
    port_transmit();
}

bool transmit_payload(const uint8_t *payload, uint8_t length)
{
    if (!transmit_begin(length))
        return false;
    for (uint8_t i = 0; i < length; i++)
        transmit_put(payload[i]);
    transmit_end();
    return true;
}
