#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0x50, 0xfb, 0xf9, 0x03, 0x56, 0x09};

const struct board board = {
    .name = "corrie",
    .uart_base = 0xbf000800,
    .uart_divisor = 26,
    .clock_base = 0xbf000100,
    .clock_divisor = 4,
    .tide_base = 0xbf000200,
    .calibration = calibration,
    .lamp_base = 0xbf000300,
    .lamp_period_ms = 6000,
};
