#include "board.h"

const struct board board = {
    .name = "brae",
    .uart_base = 0xe0000000,
    .uart_divisor = 26,
    .clock_base = 0xe0000100,
    .clock_divisor = 4,
    .lamp_base = 0xe0000300,
    .lamp_period_ms = 1000,
};
