#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0x98, 0xf9, 0xcf, 0x03, 0xb8, 0x0d};

const struct board board = {
    .name = "ness",
    .uart_base = 0x09000800,
    .uart_divisor = 26,
    .clock_base = 0x09000100,
    .clock_divisor = 4,
    .tide_base = 0x09000200,
    .calibration = calibration,
    .lamp_base = 0x09000300,
    .lamp_period_ms = 10000,
    .fog_base = 0x09000400,
};
