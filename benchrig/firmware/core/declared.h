/* What this rig declares of itself: outputs, inputs, limits. Change the wiring, change this. */
#ifndef BENCHRIG_DECLARED_H
#define BENCHRIG_DECLARED_H

#include <stdint.h>

#include "rom.h"
#include "wire.h"

#define FIRMWARE_MAJOR 1
#define FIRMWARE_MINOR 0
#define FIRMWARE_PATCH 0

#define TICK_NS 500UL
#define TICKS_PER_US 2u
#ifndef CLOCK_TOLERANCE_PPM
#define CLOCK_TOLERANCE_PPM 100u /* a crystal; a ceramic resonator is 5000 */
#endif

#define STEPS_MAX 32u
#define STEP_US_LEAST 50u
#define FEED_SETTLE_US 30000UL
#ifndef CONVERSION_US_MIN
#define CONVERSION_US_MIN 50u
#endif
#define REFERENCE_MOHM 33000UL
#define SOURCE_UA 30000UL

#define SWITCHED_OUTPUTS 8u
#define OUTPUT_COUNT 9u
#define SOURCE_OUTPUT 8u
#define SOURCE_BIT (1u << SOURCE_OUTPUT)
#define ALL_MASK ((1u << OUTPUT_COUNT) - 1u)
#define SWITCHED_MASK ((1u << SWITCHED_OUTPUTS) - 1u)
#ifndef SHARED_MASK
#define SHARED_MASK SWITCHED_MASK /* one shunt in the common return */
#endif

/* Shorter ones, kept up for long under the fastest stream, would leave nothing for the rest. */
#ifndef SWITCHED_US_MIN
#define SWITCHED_US_MIN 250UL
#endif
#define SWITCHED_ON_US_MAX 10000000UL
#define SOURCE_ON_US_MAX 10000000UL

#define INPUT_COUNT 7u
#define CODE_BITS 10u
#define TRIP_INPUT 3u
#define TRIP_CURRENT_MA 9000UL

struct output_declared {
    uint8_t kind;
    uint32_t on_us_min;
    uint32_t off_us_min;
    uint32_t on_us_max;
    uint32_t resolution_ns;
    uint16_t trip_current_ma;
    uint8_t clamp;
    uint32_t clamp_mv;
    uint32_t rated_operations;
};

struct input_declared {
    uint8_t role;
    uint8_t flags;
    uint32_t full_scale;
    uint16_t zero_code;
    uint16_t outputs_mask;
};

/* All switched outputs are alike; the source is its own kind. */
extern const ROM struct output_declared switched_declared;
extern const ROM struct output_declared source_declared;
extern const ROM struct input_declared inputs_declared[INPUT_COUNT];

static inline const ROM struct output_declared *output_declared(uint8_t output)
{
    return output == SOURCE_OUTPUT ? &source_declared : &switched_declared;
}

/* The code of the trip input at the trip current; above it counts as over. */
#define TRIP_ZERO_CODE 16u
#define TRIP_FULL_SCALE_MA 10000UL
#define TRIP_CODE ((uint16_t)(TRIP_ZERO_CODE + TRIP_CURRENT_MA * 1024UL / TRIP_FULL_SCALE_MA))

#endif
