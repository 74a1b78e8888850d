#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0xcc, 0xfc, 0xdd, 0x03, 0x42, 0x0c};

const struct board board = {
    .name = "lough",
    .uart_base = 0xbf000000,
    .uart_divisor = 26,
    .clock_base = 0xbf000100,
    .clock_divisor = 4,
    .tide_base = 0xbf000200,
    .calibration = calibration,
    .lamp_base = 0xbf000300,
    .lamp_period_ms = 7500,
};
