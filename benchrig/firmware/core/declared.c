#include "declared.h"

const ROM struct output_declared switched_declared = {
    .kind = SOLID_STATE,
    .on_us_min = SWITCHED_US_MIN,
    .off_us_min = SWITCHED_US_MIN,
    .on_us_max = SWITCHED_ON_US_MAX,
    .resolution_ns = TICK_NS,
    .trip_current_ma = TRIP_CURRENT_MA,
    .clamp = LOW_SIDE_CLAMP,
    .clamp_mv = 36000UL,
    .rated_operations = 0,
};

const ROM struct output_declared source_declared = {
    .kind = LOW_CURRENT_SOURCE,
    .on_us_min = SWITCHED_US_MIN,
    .off_us_min = SWITCHED_US_MIN,
    .on_us_max = SOURCE_ON_US_MAX,
    .resolution_ns = TICK_NS,
    .trip_current_ma = TRIP_CURRENT_MA,
    .clamp = LOW_SIDE_CLAMP,
    .clamp_mv = 36000UL,
    .rated_operations = 0,
};

/* Full scales in uV, uA, m degC, pA by role. A zero code above 0 makes a dead input visible. */
const ROM struct input_declared inputs_declared[INPUT_COUNT] = {
    {SUPPLY_VOLTAGE, 0, 20000000UL, 0, SWITCHED_MASK},
    {PART_VOLTAGE, AT_PART_TERMINALS, 20000000UL, 16, SWITCHED_MASK},
    {PART_VOLTAGE_FINE, AT_PART_TERMINALS, 2500000UL, 8, SWITCHED_MASK},
    {CURRENT_COARSE, SEES_TURN_OFF, 10000000UL, TRIP_ZERO_CODE, ALL_MASK},
    {CURRENT_FINE, SEES_TURN_OFF, 1600000UL, 16, ALL_MASK},
    {REFERENCE_VOLTAGE, 0, 2500000UL, 8, SOURCE_BIT},
    {TEMPERATURE, 0, 200000UL, 205, 0},
};
