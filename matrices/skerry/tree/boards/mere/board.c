#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0x50, 0xfb, 0xd6, 0x03, 0xfd, 0x0c};

const struct board board = {
    .name = "mere",
    .uart_base = 0x40000000,
    .uart_divisor = 26,
    .clock_base = 0x40000100,
    .clock_divisor = 4,
    .tide_base = 0x40000200,
    .calibration = calibration,
    .lamp_base = 0x40000300,
    .lamp_period_ms = 5000,
};
