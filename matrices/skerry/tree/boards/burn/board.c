#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0x7c, 0xfc, 0x00, 0x04, 0x9b, 0x08};

const struct board board = {
    .name = "burn",
    .uart_base = 0x10000800,
    .uart_divisor = 26,
    .clock_base = 0x10000100,
    .clock_divisor = 4,
    .tide_base = 0x10000200,
    .calibration = calibration,
    .lamp_base = 0x10000300,
    .lamp_period_ms = 1500,
};
