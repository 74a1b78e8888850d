#ifndef SKERRY_BOARD_H
#define SKERRY_BOARD_H

#include "types.h"

/* What the common code must know of a board; one constant of this type in every boards/<board>/board.c. */
struct board {
    const char *name;
    uptr uart_base;
    u16 uart_divisor;
    u16 lamp_period_ms; /* from one flash of the light to the next */
    uptr clock_base;
    u32 clock_divisor;
    uptr tide_base;
    uptr lamp_base;
    uptr fog_base; /* of the fog horn; 0 where there is none */
    uptr battery_base;
    const u8 *calibration; /* of the tide sensor, CALIBRATION_BYTES as printed on its label */
};

extern const struct board board;

#endif
