/*
 * The battery of a buoy. A cell that was drained once never comes back, and a dark buoy is found again where a dead one
 * is not: below the limit the lantern is told to flash at half its rate, and the boot goes on.
 */
#include "driver.h"
#include "mmio.h"
#include "print.h"
#include "sizes.h"

#define CONTROL 0x0
#define CONTROL_MEASURE 1u
#define STATUS 0x4
#define STATUS_DONE 1u
#define MILLIVOLTS 0x8
#define SAVER 0xc

#define CELLS 4
#define EMPTY_CELL_MV 1050
#define SAMPLES 8

static bool battery_start(const struct board *board)
{
    u32 sum_mv = 0, taken = 0;
    for (u32 polls = 0; polls < POLL_LIMIT && taken < SAMPLES; polls++) {
        mmio_write32(board->battery_base + CONTROL, CONTROL_MEASURE);
        if (!(mmio_read32(board->battery_base + STATUS) & STATUS_DONE))
            continue;
        sum_mv += mmio_read32(board->battery_base + MILLIVOLTS) & 0x3fff;
        taken++;
    }
    if (taken < SAMPLES)
        return false;
    bool saver = sum_mv / SAMPLES < CELLS * EMPTY_CELL_MV;
    mmio_write32(board->battery_base + SAVER, saver);
    print("battery %u mV%s\n", (unsigned)(sum_mv / SAMPLES), saver ? ", saving" : "");
    return true;
}

DRIVER(battery, battery_start);
