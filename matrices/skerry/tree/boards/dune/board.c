#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0x3e, 0xfe, 0xf2, 0x03, 0x11, 0x0a};

const struct board board = {
    .name = "dune",
    .uart_base = 0x1fe00800,
    .uart_divisor = 26,
    .clock_base = 0x1fe00100,
    .clock_divisor = 4,
    .tide_base = 0x1fe00200,
    .calibration = calibration,
    .lamp_base = 0x1fe00300,
    .lamp_period_ms = 8000,
};
