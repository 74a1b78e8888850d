#include "container.h"
#include "arch.h"
#include "bytes.h"
#include "crc32.h"
#include "lzma.h"
#include "memory.h"
#include "print.h"

extern u8 stage2_start[], stage2_end[];

enum container_state container_unpack(const struct flash_area *area, uptr *entry)
{
    const u8 *header = area->start;
    if (memcmp(header, "SKST", 4) != 0)
        return CONTAINER_ABSENT;
    if (get_be32(header + 36) != crc32(header, 36) || get_be32(header + 4) != CONTAINER_VERSION)
        return CONTAINER_BAD_HEADER;

    u64 load = get_be64(header + 8);
    u32 unpacked = get_be32(header + 24);
    u32 packed = get_be32(header + 28);
    usize room = (usize)(area->end - area->start) - CONTAINER_HEADER_BYTES;
    debug("%s: %u bytes packed, %u unpacked\n", area->name, packed, unpacked);
    if (packed > room || load != (uptr)stage2_start || unpacked > (usize)(stage2_end - stage2_start))
        return CONTAINER_DOES_NOT_FIT;
    if (!lzma_decode(header + CONTAINER_HEADER_BYTES, packed, stage2_start, unpacked))
        return CONTAINER_DAMAGED;
    if (crc32(stage2_start, unpacked) != get_be32(header + 32))
        return CONTAINER_DAMAGED;
    arch_sync_code(stage2_start, unpacked);
    *entry = (uptr)get_be64(header + 16);
    return CONTAINER_GOOD;
}
