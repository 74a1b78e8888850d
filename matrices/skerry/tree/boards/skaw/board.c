#include "board.h"
#include "tide.h"

static const u8 calibration[CALIBRATION_BYTES] = {0xfa, 0x00, 0xe4, 0x03, 0x86, 0x03};

const struct board board = {
    .name = "skaw",
    .uart_base = 0x809000000,
    .uart_divisor = 26,
    .clock_base = 0x809000100,
    .clock_divisor = 4,
    .tide_base = 0x809000200,
    .calibration = calibration,
};
