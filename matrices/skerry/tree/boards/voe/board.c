#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0xaf, 0xfb, 0xb3, 0x03, 0xa4, 0x10};

const struct board board = {
    .name = "voe",
    .uart_base = 0x3f8,
    .uart_divisor = 1,
    .clock_base = 0xfe000100,
    .clock_divisor = 4,
    .tide_base = 0xfe000200,
    .calibration = calibration,
    .lamp_base = 0xfe000300,
    .lamp_period_ms = 5000,
};
