#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0xd8, 0xff, 0x00, 0x01, 0xb3, 0x04};

const struct board board = {
    .name = "gill",
    .uart_base = 0x10000000,
    .uart_divisor = 26,
    .clock_base = 0x10000100,
    .clock_divisor = 8,
    .tide_base = 0x10000200,
    .calibration = calibration,
};
