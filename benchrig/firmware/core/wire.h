/* Numbers of the protocol: message ids, enumerations, lengths. Same as firmware_protocol.md. */
#ifndef BENCHRIG_WIRE_H
#define BENCHRIG_WIRE_H

#include <stdint.h>

#define PROTOCOL_MAJOR 1
#define PROTOCOL_MINOR 0
#define HOST_PAYLOAD_MAX 32 /* id, sequence and body of a request */
#define ANSWER_PAYLOAD_MAX 48
#define REQUEST_ID_LAST 0x3F
#define SCAN_US_MAX 1000000UL
#define HEARTBEAT_SILENCE_US 250000UL

enum request_id {
    HELLO = 0x01,
    DESCRIBE_OUTPUT,
    DESCRIBE_INPUT,
    HEARTBEAT,
    READ_STATUS,
    SCHEDULE_BEGIN,
    SCHEDULE_STEP,
    SCHEDULE_COMMIT,
    CLOSE_FEED,
    OPEN_FEED,
    START,
    ALL_OFF,
    STREAM,
    STOP_STREAM,
    CLEAR_FAULT,
};

enum answer_id {
    ACCEPTED = 0x80,
    IDENTITY,
    OUTPUT_INFO,
    INPUT_INFO,
    STATUS,
    STREAMING,
    REFUSED = 0x8F,
};

enum unasked_id { SAMPLES = 0xC0, EDGE, FAULT_MESSAGE, FINISHED };

enum rig_state { IDLE = 1, RUNNING = 2, FAULT = 3 };

enum status_flag {
    FLAG_FEED_CLOSED = 1,
    FLAG_FEED_READBACK = 2,
    FLAG_SCHEDULE_COMMITTED = 4,
    FLAG_STREAMING = 8,
    FLAG_HEARTBEAT_ALIVE = 16,
};

enum fault_reason {
    FAULT_NONE,
    FAULT_HEARTBEAT_SILENCE,
    FAULT_ON_TIME_CEILING,
    FAULT_OVER_CURRENT,
    FAULT_WATCHDOG,
    FAULT_SERIAL_BREAK,
    FAULT_BROWN_OUT,
    FAULT_INTERNAL,
    FAULT_COUNT
};

enum reset_cause { RESET_UNKNOWN, RESET_POWER_ON, RESET_EXTERNAL, RESET_BROWN_OUT, RESET_WATCHDOG };

enum refusal_reason {
    UNKNOWN_MESSAGE = 1,
    BAD_LENGTH,
    BAD_VALUE,
    WRONG_STATE,
    NO_SUCH_OUTPUT,
    NO_SUCH_INPUT,
    ON_TIME_OVER_CEILING,
    ON_TIME_UNDER_LEAST,
    OFF_TIME_UNDER_LEAST,
    NOT_ENDING_OFF,
    TOO_MANY_STEPS,
    SCHEDULE_INCOMPLETE,
    STEPS_CRC_MISMATCH,
    FEED_MUST_BE_CLOSED,
    FEED_MUST_BE_OPEN,
    HEARTBEAT_MISSING,
    FAULT_LATCHED,
    RATE_TOO_HIGH,
    SHARED_INPUT,
    VERSION_NOT_SPOKEN,
    NO_SCHEDULE,
};

enum edge_cause { CAUSE_SCHEDULE = 1, CAUSE_ALL_OFF, CAUSE_FAULT, CAUSE_FEED };
enum output_kind { SOLID_STATE = 1, RELAY, LOW_CURRENT_SOURCE };
enum clamp_kind { FREEWHEEL_DIODE = 1, LOW_SIDE_CLAMP };
enum input_role {
    SUPPLY_VOLTAGE = 1,
    PART_VOLTAGE,
    PART_VOLTAGE_FINE,
    CURRENT_COARSE,
    CURRENT_FINE,
    REFERENCE_VOLTAGE,
    TEMPERATURE,
    INSULATION_CURRENT,
};
enum input_flag { AT_PART_TERMINALS = 1, SEES_TURN_OFF = 2 };

/* Little-endian fields of a received body. */
static inline uint16_t get_u16(const uint8_t *p)
{
    return (uint16_t)(p[0] | ((uint16_t)p[1] << 8));
}

static inline uint32_t get_u32(const uint8_t *p)
{
    return get_u16(p) | ((uint32_t)get_u16(p + 2) << 16);
}

#endif
