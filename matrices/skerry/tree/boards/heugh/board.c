#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0x30, 0xf8, 0xe4, 0x03, 0x87, 0x0b};

const struct board board = {
    .name = "heugh",
    .uart_base = 0xe0000800,
    .uart_divisor = 26,
    .clock_base = 0xe0000100,
    .clock_divisor = 4,
    .tide_base = 0xe0000200,
    .calibration = calibration,
    .lamp_base = 0xe0000300,
    .lamp_period_ms = 15000,
    .fog_base = 0xe0000400,
};
