#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0xb5, 0xff, 0xc1, 0x03, 0x2e, 0x0f};

const struct board board = {
    .name = "tarn",
    .uart_base = 0x10000000,
    .uart_divisor = 26,
    .clock_base = 0x10000100,
    .clock_divisor = 4,
    .tide_base = 0x10000200,
    .calibration = calibration,
    .lamp_base = 0x10000300,
    .lamp_period_ms = 4000,
};
