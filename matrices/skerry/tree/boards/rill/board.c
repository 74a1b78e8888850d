#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0x00, 0x00, 0x00, 0x02, 0x4d, 0x00};

const struct board board = {
    .name = "rill",
    .uart_base = 0x10000000,
    .uart_divisor = 26,
    .clock_base = 0x10000100,
    .clock_divisor = 4,
    .tide_base = 0x10000200,
    .calibration = calibration,
};
