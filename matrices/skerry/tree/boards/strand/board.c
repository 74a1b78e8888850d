#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0x7a, 0xfe, 0xc8, 0x03, 0x73, 0x0e};

const struct board board = {
    .name = "strand",
    .uart_base = 0x900000001fe00000,
    .uart_divisor = 26,
    .clock_base = 0x900000001fe00100,
    .clock_divisor = 4,
    .tide_base = 0x900000001fe00200,
    .calibration = calibration,
};
