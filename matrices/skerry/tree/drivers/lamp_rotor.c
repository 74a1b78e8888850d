/* The old lights: a lamp that burns steadily, and a lens that a motor turns. Flashes per turn are cut into the lens. */
#include "driver.h"
#include "mmio.h"
#include "print.h"

#define CONTROL 0x0
#define CONTROL_ON 1u
#define PERIOD 0x4
#define STEPS 0x8

#define FLASHES_PER_TURN 4
#define STEP_LIMIT_US 400 /* the motor stalls when it is asked to step faster */

static bool lamp_start(const struct board *board)
{
    u32 turn_ms = board->lamp_period_ms * FLASHES_PER_TURN;
    u32 steps = 3200;
    int step_us = (int)(turn_ms * 1000 / steps);

    for (u32 halvings = 0; halvings < 3 && step_us < STEP_LIMIT_US; halvings++) {
        steps /= 2;
        step_us *= 2;
    }
    /* Rounding down makes the lens fast; a thousandth of a turn is what the almanac allows. */
    int lost_us = (int)(turn_ms * 1000) - step_us * (int)steps;
    if (lost_us > turn_ms)
        step_us++;
    mmio_write32(board->lamp_base + STEPS, steps);
    mmio_write32(board->lamp_base + PERIOD, (u32)step_us);
    mmio_write32(board->lamp_base + CONTROL, CONTROL_ON);
    debug("lens turns in %u ms\n", turn_ms);
    return mmio_read32(board->lamp_base + STEPS) == steps;
}

DRIVER(lamp, lamp_start);
