#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0x54, 0xf2, 0x00, 0x08, 0x36, 0x01};

const struct board board = {
    .name = "scaur",
    .uart_base = 0xe0000000,
    .uart_divisor = 26,
    .clock_base = 0xe0000100,
    .clock_divisor = 4,
    .tide_base = 0xe0000200,
    .calibration = calibration,
};
