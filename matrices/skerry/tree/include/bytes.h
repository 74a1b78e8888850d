#ifndef SKERRY_BYTES_H
#define SKERRY_BYTES_H

#include "types.h"

/*
 * Numbers that leave a machine have a byte order of their own: what compose.py writes is big-endian, what the sensor
 * maker writes is little-endian. Always read them byte by byte; both kinds of machine run this code, and some of them
 * fault on a word at an odd address.
 */

static inline u16 get_le16(const u8 *bytes)
{
    return (u16)(bytes[0] | bytes[1] << 8);
}

static inline u16 get_be16(const u8 *bytes)
{
    return (u16)(bytes[0] << 8 | bytes[1]);
}

static inline u32 get_be32(const u8 *bytes)
{
    return (u32)get_be16(bytes) << 16 | get_be16(bytes + 2);
}

static inline u64 get_be64(const u8 *bytes)
{
    return (u64)get_be32(bytes) << 32 | get_be32(bytes + 4);
}

#endif
