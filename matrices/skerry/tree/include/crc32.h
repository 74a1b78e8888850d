#ifndef SKERRY_CRC32_H
#define SKERRY_CRC32_H

#include "types.h"

/* CRC-32 of IEEE 802.3, as Python's zlib.crc32 computes it. */
u32 crc32(const u8 *bytes, usize count);

#endif
