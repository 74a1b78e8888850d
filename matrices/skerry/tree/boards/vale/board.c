#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0x24, 0xfa, 0xba, 0x03, 0xe9, 0x0f};

const struct board board = {
    .name = "vale",
    .uart_base = 0x10000800,
    .uart_divisor = 26,
    .clock_base = 0x10000100,
    .clock_divisor = 4,
    .tide_base = 0x10000200,
    .calibration = calibration,
};
