#include "driver.h"
#include "mmio.h"
#include "sizes.h"

#define CONTROL 0x0
#define CONTROL_RUN 0x80000000u
#define STATUS 0x4
#define STATUS_LOCKED 1u

bool clock_start(const struct board *board)
{
    mmio_write32(board->clock_base + CONTROL, CONTROL_RUN | board->clock_divisor);
    for (u32 polls = 0; polls < POLL_LIMIT; polls++)
        if (mmio_read32(board->clock_base + STATUS) & STATUS_LOCKED)
            return true;
    return false;
}
