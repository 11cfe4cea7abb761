/* COBS frames with a CRC: a decoder fed byte by byte, and a transmit ring encoded in place. */
#ifndef BENCHRIG_FRAMES_H
#define BENCHRIG_FRAMES_H

#include <stdbool.h>
#include <stdint.h>

#include "wire.h"

#define CRC_BYTES 2
#define PAYLOAD_MIN 2

/* Decoder. frames_take() says true when a whole, checked payload is in frame_payload. */
extern uint8_t frame_payload[HOST_PAYLOAD_MAX + CRC_BYTES];
extern uint8_t frame_length; /* of the payload, without the CRC */
extern uint16_t frame_crc;
extern uint16_t frames_bad;

void frames_reset(void);
bool frames_take(uint8_t byte);

/* Transmit ring. A frame is begun only if all of it fits; the port takes bytes out. */
bool transmit_has_room(uint8_t payload_length);
bool transmit_begin(uint8_t payload_length);
void transmit_put(uint8_t byte);
void transmit_end(void);
bool transmit_payload(const uint8_t *payload, uint8_t length);

#define TRANSMIT_RING 256u
extern volatile uint8_t transmit_ring[TRANSMIT_RING];
extern volatile uint8_t transmit_head; /* first free place */
extern volatile uint8_t transmit_tail; /* next byte to send */

#endif
