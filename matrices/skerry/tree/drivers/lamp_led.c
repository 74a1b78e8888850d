/* A light-emitting diode behind a dimmer: the block flashes it by itself once it knows the period. */
#include "driver.h"
#include "mmio.h"
#include "print.h"

#define CONTROL 0x0
#define CONTROL_ON 1u
#define PERIOD 0x4

static bool lamp_start(const struct board *board)
{
    mmio_write32(board->lamp_base + PERIOD, board->lamp_period_ms);
    mmio_write32(board->lamp_base + CONTROL, CONTROL_ON);
    debug("lamp period %u ms\n", board->lamp_period_ms);
    return mmio_read32(board->lamp_base + PERIOD) == board->lamp_period_ms;
}

DRIVER(lamp, lamp_start);
