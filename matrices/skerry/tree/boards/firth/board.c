#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0xe2, 0xfa, 0xeb, 0x03, 0xcc, 0x0a};

const struct board board = {
    .name = "firth",
    .uart_base = 0xfe000800,
    .uart_divisor = 26,
    .clock_base = 0xfe000100,
    .clock_divisor = 4,
    .tide_base = 0xfe000200,
    .calibration = calibration,
};
