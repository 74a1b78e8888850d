/* The float sensor: one reading at the start, turned into millimetres by what its label says. */
#include "tide.h"
#include "bytes.h"
#include "driver.h"
#include "mmio.h"
#include "print.h"
#include "sizes.h"

#define CONTROL 0x0
#define CONTROL_SAMPLE 1u
#define STATUS 0x4
#define STATUS_DONE 1u
#define COUNT 0x8

static s32 height_mm;

static bool tide_start(const struct board *board)
{
    s32 zero_mm = (s16)get_le16(board->calibration);
    u32 scale = get_le16(board->calibration + 2);

    mmio_write32(board->tide_base + CONTROL, CONTROL_SAMPLE);
    for (u32 polls = 0; polls < POLL_LIMIT; polls++) {
        if (!(mmio_read32(board->tide_base + STATUS) & STATUS_DONE))
            continue;
        u32 count = mmio_read32(board->tide_base + COUNT) & 0xffff;
        height_mm = (s32)(count * scale / 1024) + zero_mm;
        print("tide %d mm, sensor %u\n", (int)height_mm, get_le16(board->calibration + 4));
        return true;
    }
    return false;
}

s32 tide_height_mm(void)
{
    return height_mm;
}

DRIVER(tide, tide_start);
