#include "board.h"

const struct board board = {
    .name = "wick",
    .uart_base = 0x40000000,
    .uart_divisor = 26,
    .clock_base = 0x40000100,
    .clock_divisor = 8,
    .lamp_base = 0x40000300,
    .lamp_period_ms = 2000,
    .battery_base = 0x40000500,
};
