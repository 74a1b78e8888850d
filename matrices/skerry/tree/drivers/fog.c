/* The fog horn: blown by the block on a timer of its own, so that it sounds even when the payload hangs. */
#include "driver.h"
#include "mmio.h"
#include "print.h"

#define CONTROL 0x0
#define CONTROL_ARMED 1u
#define BLAST_MS 0x4
#define REST_MS 0x8

static bool fog_start(const struct board *board)
{
    if (!board->fog_base)
        return false;
    mmio_write32(board->fog_base + BLAST_MS, 4000);
    mmio_write32(board->fog_base + REST_MS, 26000);
    mmio_write32(board->fog_base + CONTROL, CONTROL_ARMED);
    debug("fog horn armed\n");
    return true;
}

DRIVER(fog, fog_start);
